r"""YAML to plain data, by the rules of YAML 1.2 and a little stricter.

PyYAML turns characters into events; everything above that is here, because

* the place of every value must be kept for the complaints that come later,
* PyYAML makes values by YAML 1.1, where ``on`` is true, ``1:30`` is 90 and ``010`` is 8,
* a key given twice must not silently win, and
* aliases (with which 300 bytes expand to gigabytes), merge keys and tags have no place in files
  that people check by eye.

Length, depth and the size of numbers are bounded, so a file can be wrong but not harmful.

Source of the scalar forms: YAML 1.2.2, section 10.3.2, the core schema.
"""

from __future__ import annotations

import re
from pathlib import Path as FilePath
from typing import Any

import yaml
from yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
    StreamEndEvent,
)

from acquire.errors import BadInputError, Problem
from acquire.textfile.source import Path, Place, TextSource, problem_at

LARGEST = 256 * 1024
"""Longest text that is read. [bytes]"""
DEEPEST = 20
"""Blocks within blocks."""
MOST_MISTAKES = 100
"""Nobody mends more at a time."""
_LONGEST_NUMBER = 60

_NULL = re.compile(r"(?:null|Null|NULL|~|)")
_TRUE = re.compile(r"(?:true|True|TRUE)")
_FALSE = re.compile(r"(?:false|False|FALSE)")
_INTEGER = re.compile(r"[-+]?[0-9]+")
_OCTAL = re.compile(r"0o[0-7]+")
_HEX = re.compile(r"0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"(?:[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN))")
_UNPRINTABLE = re.compile(
    "[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]|\ufeff"
)


def read_text(path: FilePath | str) -> str:
    """Read a text file of moderate length.

    Raises
    ------
    BadInputError
        If it cannot be read, is not UTF-8 or is too long.
    """
    name = str(path)
    file = FilePath(path)
    try:
        if file.exists() and not file.is_file():  # a pipe could make us wait for ever
            raise BadInputError([Problem(name, 0, 0, "", "this is not a file")])
        with file.open("rb") as stream:
            raw = stream.read(LARGEST + 1)
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        reason = getattr(error, "strerror", None) or str(error)
        raise BadInputError([Problem(name, 0, 0, "", f"cannot be read: {reason}")]) from error
    if len(raw) > LARGEST:
        raise _too_long(name)
    try:
        return raw.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        start = raw.rfind(b"\n", 0, error.start) + 1
        column = len(raw[start : error.start].decode("utf-8", "replace")) + 1
        message = f"the byte 0x{raw[error.start]:02X} is not UTF-8; save the file as UTF-8"
        raise BadInputError([Problem(name, line, column, "", message)]) from error


def _too_long(name: str) -> BadInputError:
    message = f"is longer than {LARGEST // 1024} KiB; no such file is meant for floorshot"
    return BadInputError([Problem(name, 0, 0, "", message)])


def load(path: FilePath | str) -> TextSource:
    """Read a YAML file.

    Raises
    ------
    BadInputError
        If it cannot be read, is not UTF-8, is too long or is not YAML.
    """
    return parse(read_text(path), str(path))


def parse(text: str, name: str) -> TextSource:
    """Read a text that is called ``name`` in messages.

    Raises
    ------
    BadInputError
        If it is not YAML. What is merely unwise in it is left in ``TextSource.mistakes``.
    """
    if len(text) > LARGEST or len(text.encode("utf-8", "surrogatepass")) > LARGEST:
        raise _too_long(name)
    text = text.removeprefix("\ufeff")
    odd = _UNPRINTABLE.search(text)
    if odd is not None:
        before = text[: odd.start()]
        place = Place(before.count("\n") + 1, odd.start() - before.rfind("\n"))
        message = f"the character U+{ord(odd.group()):04X} is not allowed in a text file; delete it"
        raise BadInputError([problem_at(name, text, place, "", message)])
    return _Reading(text, name).whole()


def resolve(written: str) -> object:
    """Return what an unquoted scalar stands for in the core schema of YAML 1.2.

    Raises
    ------
    ValueError
        For a number that is not finite or absurdly long.
    """
    if _NULL.fullmatch(written):
        return None
    if _TRUE.fullmatch(written):
        return True
    if _FALSE.fullmatch(written):
        return False
    if _NOT_FINITE.fullmatch(written):
        raise ValueError(f"{written} is not a finite number")
    for pattern, base in ((_INTEGER, 10), (_OCTAL, 8), (_HEX, 16)):
        if pattern.fullmatch(written):
            if len(written) > _LONGEST_NUMBER:
                raise ValueError(f"a number of {len(written)} digits is too long to be meant")
            return int(written.removeprefix("0o").removeprefix("0x"), base)
    if _FLOAT.fullmatch(written):
        value = float(written)
        if value in (float("inf"), float("-inf")):
            raise ValueError(f"{written[:_LONGEST_NUMBER]} is too large to be meant")
        return value
    return written


class _Reading:
    """The state of reading one text."""

    def __init__(self, text: str, name: str) -> None:
        self.text = text
        self.name = name
        self.places: dict[Path, Place] = {}
        self.keys: dict[Path, Place] = {}
        self.mistakes: list[Problem] = []
        self.loader = yaml.SafeLoader(text)

    def whole(self) -> TextSource:
        try:
            data = self._document()
        except (yaml.YAMLError, ValueError, OverflowError) as error:
            raise BadInputError([*self.mistakes, self._syntax(error)]) from error
        finally:
            self.loader.dispose()
        return TextSource(self.name, self.text, data, self.places, self.keys, tuple(self.mistakes))

    def _document(self) -> object:
        self._next()  # the stream begins
        event = self._next()
        if isinstance(event, StreamEndEvent):
            raise BadInputError([Problem(self.name, 0, 0, "", "the file is empty")])
        data = self._node(self._next(), ())
        self._next()  # the document ends
        event = self._next()
        if isinstance(event, DocumentStartEvent):
            self._mistake(event, (), "a second document begins here; one file holds one")
        return data

    def _next(self) -> yaml.Event:
        event: yaml.Event = self.loader.get_event()  # type: ignore[no-untyped-call] # its stub
        return event

    def _mistake(self, event: yaml.Event, path: Path, message: str) -> None:
        if len(self.mistakes) >= MOST_MISTAKES:
            raise BadInputError(self.mistakes)
        field = ".".join(map(str, path))
        self.mistakes.append(problem_at(self.name, self.text, _place(event), field, message))

    def _node(self, event: yaml.Event, path: Path) -> object:
        self.places[path] = _place(event)
        if isinstance(event, AliasEvent):
            self._mistake(event, path, f"an alias (*{event.anchor}) is not read; write it out")
            return None
        if (anchor := getattr(event, "anchor", None)) is not None:
            self._mistake(event, path, f"an anchor (&{anchor}) is not read; leave it out")
        if getattr(event, "tag", None) is not None:
            self._mistake(event, path, "a tag (!) is not read; leave it out")
        if isinstance(event, ScalarEvent):
            return self._scalar(event, path)
        if len(path) >= DEEPEST:
            message = f"more than {DEEPEST} blocks within each other; no such file is meant"
            field = ".".join(map(str, path[:3])) + "..."
            place = _place(event)
            raise BadInputError([problem_at(self.name, self.text, place, field, message)])
        if isinstance(event, SequenceStartEvent):
            return self._sequence(path)
        assert isinstance(event, MappingStartEvent)
        return self._mapping(path)

    def _scalar(self, event: ScalarEvent, path: Path) -> object:
        value: str = event.value
        odd = _UNPRINTABLE.search(value)  # by an escape in double quotes
        if odd is not None:
            self._mistake(event, path, f"the character U+{ord(odd.group()):04X} is not allowed")
            return ""
        if event.style is not None:
            return value
        try:
            return resolve(value)
        except ValueError as error:
            self._mistake(event, path, f"{error}; write another")
            return None

    def _sequence(self, path: Path) -> tuple[object, ...]:
        items: list[object] = []
        while not isinstance(event := self._next(), SequenceEndEvent):
            items.append(self._node(event, (*path, len(items))))
        return tuple(items)

    def _mapping(self, path: Path) -> dict[str, object]:
        block: dict[str, object] = {}
        while not isinstance(event := self._next(), MappingEndEvent):
            if not isinstance(event, ScalarEvent):
                self._mistake(event, path, "a key must be a word")
                self._node(event, (*path, "? (key)"))
                self._node(self._next(), (*path, "? (value)"))
                continue
            key: str = event.value
            inside = (*path, key)
            place = _place(event)
            if event.anchor is not None or event.tag is not None:
                self._mistake(event, inside, "a key has no anchor (&) and no tag (!)")
            if (odd := _UNPRINTABLE.search(key)) is not None:
                self._mistake(event, path, f"the character U+{ord(odd.group()):04X} is not allowed")
                self._node(self._next(), (*path, "? (value)"))
                continue
            if key == "<<" and event.style is None:
                self._mistake(event, inside, "a merge key (<<) is not read; write it out")
                self._node(self._next(), inside)
            elif key in block:
                first = self.keys[inside].line
                self._mistake(event, inside, f"'{key}' was given before, in line {first}")
                self._node(self._next(), (*path, f"{key} (again)"))  # the first one's places stay
            else:
                self.keys[inside] = place
                block[key] = self._node(self._next(), inside)
        return block

    def _syntax(self, error: Exception) -> Problem:
        """Say in plain words what is not YAML.

        The kind of mistake is told from the character at which reading stopped.
        """
        mark: Any = getattr(error, "problem_mark", None) or self.loader.get_mark()
        opened = getattr(error, "context_mark", None)
        place = Place(mark.line + 1, mark.column + 1)
        rest = self.text[mark.index :]
        since = f" (it belongs to what begins in line {opened.line + 1})" if opened else ""
        if not rest.strip() and opened is not None:
            place = Place(opened.line + 1, opened.column + 1)
            message = "the file ends before what begins here is complete; close it"
        elif rest.startswith("\t"):
            message = "a tab cannot indent; use spaces"
        elif rest.startswith(":"):
            message = (
                "a ':' is not expected here; check the indentation of this line, and put quotes "
                "around a text that contains ': '"
            )
        elif rest[:1] and rest[0] in "@`%&*!|>":
            message = f"'{rest[0]}' has a meaning of its own in YAML here; put quotes around it"
        else:
            message = (
                "this is not YAML; check the indentation, quotes and brackets of this line and of "
                f"the one before it{since}"
            )
        return problem_at(self.name, self.text, place, "", message)


def _place(event: yaml.Event) -> Place:
    mark: Any = event.start_mark  # parsing a text always gives one
    return Place(mark.line + 1, mark.column + 1)
