"""Refusing now what would be refused at three in the morning: the checks before a run is queued."""

from __future__ import annotations

from pathlib import Path

from acquire.bench import load_bench
from acquire.daemon import schedule
from acquire.errors import BadInputError, Problem
from acquire.recipe import parse_recipe
from acquire.run.match import match
from acquire.run.plan import Plan, compile_plan


def check(text: str, name: str, bench: Path | None) -> Plan | None:
    """Check a recipe's text by itself, the bench by itself, and both together.

    Parameters
    ----------
    text : the recipe.
    name : what the recipe is called in messages.
    bench : the bench profile; None = only the recipe by itself.

    Returns
    -------
    What the two come to; None without a bench.

    Raises
    ------
    BadInputError
        With every problem of both, or with what in the recipe this bench cannot do.
    """
    problems: list[Problem] = []
    loaded_recipe = loaded_bench = None
    try:
        loaded_recipe = parse_recipe(text, name)
    except BadInputError as error:
        problems += problems_of(error, name)
    if bench is not None:
        try:
            loaded_bench = load_bench(bench)
        except BadInputError as error:
            problems += problems_of(error, bench.name)
    if problems:
        raise BadInputError(problems)
    if loaded_recipe is None or loaded_bench is None:
        return None
    unmatched = match(loaded_recipe, loaded_bench)
    if unmatched:
        raise BadInputError(unmatched)
    return compile_plan(loaded_recipe, loaded_bench)


def problems_of(error: BadInputError, file: str) -> tuple[Problem, ...]:
    """Return the problems of an error, made up from its words where it has only those."""
    return error.problems or (Problem(file, 0, 0, "", str(error)),)


def rule(
    at: str | None, every: str | None, cron: str | None, zone: str | None
) -> schedule.Rule | None:
    """Return the one rule that was given, or None where a run is wanted at once.

    Raises
    ------
    BadInputError
        If several were given, or the one cannot be read.
    """
    kinds: tuple[tuple[schedule.Kind, str | None], ...] = (
        ("at", at),
        ("every", every),
        ("cron", cron),
    )
    given = [(kind, text) for kind, text in kinds if text]
    if len(given) > 1:
        raise BadInputError("give one of 'at', 'every' and 'cron', not several")
    return schedule.parse(*given[0], zone or schedule.local_zone()) if given else None
