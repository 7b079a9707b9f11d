"""From a recipe's text to a recipe that means something, or to every mistake in it at once."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from acquire.errors import Problem
from acquire.quantities import with_written_defaults
from acquire.recipe.checks import checks
from acquire.recipe.schema import Recipe
from acquire.textfile import TextSource, load, parse, validated


@dataclass(frozen=True, eq=False)
class LoadedRecipe:
    """A recipe, with the text that it came from.

    Attributes
    ----------
    recipe : valid in itself. Whether a bench can do it is for ``acquire.run.match`` to say.
    source : text and places.
    """

    recipe: Recipe
    source: TextSource

    @property
    def name(self) -> str:
        """The file's name without folders."""
        return Path(self.source.name).name

    @property
    def text(self) -> str:
        """Exactly what was loaded."""
        return self.source.text

    @cached_property
    def sha256(self) -> str:
        """Hash of what the recipe says.

        Layout, comments, the order of keys, the spelling of a unit, and a default that is written
        out do not change it.
        """
        said = self.recipe.model_dump(mode="json", exclude_defaults=True)
        text = json.dumps(said, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
        return hashlib.sha256(text.encode("utf-8")).hexdigest()

    def problem(self, loc: Sequence[str | int], message: str) -> Problem:
        """Say what is wrong with a value, at its line: for what is only found out later."""
        return self.source.problem(loc, message)


def load_recipe(path: Path | str) -> LoadedRecipe:
    """Read a recipe file.

    Raises
    ------
    BadInputError
        With every mistake in it.
    """
    return _loaded(load(path))


def parse_recipe(text: str, name: str) -> LoadedRecipe:
    """Read a recipe's text; ``name`` stands for it in messages.

    Raises
    ------
    BadInputError
        With every mistake in it.
    """
    return _loaded(parse(text, name))


def _loaded(source: TextSource) -> LoadedRecipe:
    return LoadedRecipe(validated(source, Recipe, checks), source)


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a recipe, for editors.

    It describes the form only; what a recipe must mean beyond that, ``load_recipe`` tells.
    """
    schema: dict[str, Any] = with_written_defaults(Recipe.model_json_schema())
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
