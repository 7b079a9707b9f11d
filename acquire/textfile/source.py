"""A text file that was read: its data, and where each value stands in it."""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from acquire.errors import Problem

Path = tuple[str | int, ...]
"""Keys and list positions (from 0) that lead from the whole file to one value."""

# what the YAML standard counts as a line break, so that our line numbers agree with its marks
_LINE_BREAK = re.compile("\r\n|[\n\r\x85\u2028\u2029]")
_WIDEST_EXCERPT = 160


class Place(NamedTuple):
    """Where something begins; both from 1."""

    line: int
    column: int


@dataclass(frozen=True, slots=True, eq=False)
class TextSource:
    """One text, read.

    Attributes
    ----------
    name : the file as the user named it.
    text : exactly what it contains (without a byte order mark).
    data : mappings as ``dict``, lists as ``tuple``, and text, numbers, true, false and nothing.
    places : path -> where the value begins.
    keys : path -> where the key of that value begins; list items have none.
    mistakes : what is wrong with the text beyond syntax (a key given twice, an alias, ...). The
        data are then what could be made of it; ``validated`` refuses them with all the rest.
    """

    name: str
    text: str
    data: object
    places: Mapping[Path, Place]
    keys: Mapping[Path, Place]
    mistakes: tuple[Problem, ...] = ()

    def follow(self, loc: Sequence[str | int]) -> Path:
        """Return the steps of ``loc`` that the file has.

        A validation library's location also names the branch of a union or the word "[key]", which
        no file contains; and what is missing is not there either.
        """
        path: Path = ()
        for step in loc:
            if (*path, step) in self.places:
                path = (*path, step)
        return path

    def problem(
        self, loc: Sequence[str | int], message: str, *, field: str | None = None, key: bool = False
    ) -> Problem:
        """Say what is wrong with the value at ``loc``, or with its key.

        Parameters
        ----------
        loc : path of the value; the part of it that the file lacks is passed over.
        message : what was found, what was expected and what to do.
        field : dotted name to print; from ``loc`` unless given.
        key : whether the key is meant (its place is shown) rather than the value.
        """
        path = self.follow(loc)
        start = Place(1, 1)
        place = self.keys.get(path, self.places.get(path, start)) if key else None
        place = place or self.places.get(path, start)
        name = ".".join(map(str, path)) if field is None else field
        return problem_at(self.name, self.text, place, name, message)


@functools.lru_cache(maxsize=8)  # a file with many mistakes is split once
def _lines(text: str) -> list[str]:
    return _LINE_BREAK.split(text)


def problem_at(name: str, text: str, place: Place, field: str, message: str) -> Problem:
    """Make a problem with its line as an excerpt."""
    lines = _lines(text)
    line = lines[place.line - 1] if 0 < place.line <= len(lines) else ""
    # a caret cannot be aimed past a tab or a control character, nor far off the screen
    shown = "".join(c if c.isprintable() else " " for c in line[:_WIDEST_EXCERPT]).rstrip()
    if place.column > len(shown) + 1:
        shown = ""
    return Problem(name, place.line, place.column, field, message, shown)
