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


def _problems(error: BadInputError, path: Path) -> tuple[Problem, ...]:
    return error.problems or (Problem(str(path), 0, 0, "", str(error)),)
