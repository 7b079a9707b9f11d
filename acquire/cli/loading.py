"""Recipe and bench together: every problem of both in one go, before anything else happens."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from acquire.cli import names
from acquire.errors import BadInputError, Problem

if TYPE_CHECKING:
    from acquire.bench import LoadedBench
    from acquire.recipe import LoadedRecipe


def load_parts(recipe: str, bench: str) -> tuple[LoadedRecipe, LoadedBench]:
    """Load a recipe and a bench, each given as a path or as a shipped name, and match them.

    Raises
    ------
    BadInputError
        With the problems of both files, or, where each is right by itself, with what in the
        recipe this bench cannot do.
    """
    from acquire.bench import load_bench
    from acquire.recipe import load_recipe
    from acquire.run.match import match

    problems: list[Problem] = []
    loaded_recipe = loaded_bench = None
    recipe_path, bench_path = names.locate("recipe", recipe), names.locate("bench", bench)
    try:
        loaded_recipe = load_recipe(recipe_path)
    except BadInputError as error:
        problems += _problems(error, recipe_path)
    try:
        loaded_bench = load_bench(bench_path)
    except BadInputError as error:
        problems += _problems(error, bench_path)
    if loaded_recipe is None or loaded_bench is None:
        raise BadInputError(problems)
    unmatched = match(loaded_recipe, loaded_bench)
    if unmatched:
        raise BadInputError(unmatched)
    return loaded_recipe, loaded_bench


def bench_of_spool(spool: Path, bench: str | None) -> LoadedBench:
    """Return the bench given, or the one that a broken run has kept.

    Raises
    ------
    BadInputError
        If the bench profile is wrong.
    DamagedFileError
        If the spool is none, or is damaged.
    """
    from acquire.bench import load_bench, parse_bench
    from acquire.runfile import Spool

    if bench is not None:
        return load_bench(names.locate("bench", bench))
    with Spool.open(spool, writable=False) as kept:
        header = kept.header
    return parse_bench(header.bench_text, header.bench_name, probe_texts=header.probe_texts)


def _problems(error: BadInputError, path: Path) -> tuple[Problem, ...]:
    return error.problems or (Problem(str(path), 0, 0, "", str(error)),)
