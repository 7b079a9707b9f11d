"""Records to JSON text and back, checked on the way in."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from acquire.errors import DamagedFileError
from acquire.runfile.durable import read_bounded, replace_text

T = TypeVar("T")
LARGEST_TEXT_FILE = 1 << 26
_ADAPTERS: dict[Any, TypeAdapter[Any]] = {}  # building one takes milliseconds


def _adapter(kind: Any) -> TypeAdapter[Any]:
    if kind not in _ADAPTERS:
        _ADAPTERS[kind] = TypeAdapter(kind)
    return _ADAPTERS[kind]


def to_json(record: Any, kind: Any = None) -> str:
    """Return the JSON text of a record (a dataclass of `records`, or what ``kind`` names)."""
    return compact(_adapter(kind or type(record)).dump_python(record))


def from_json(kind: type[T], text: str | bytes, where: str) -> T:
    """Read a record; ``where`` is the file and place for the message."""
    try:
        record: T = _adapter(kind).validate_json(text)
    except (ValidationError, RecursionError) as error:
        raise DamagedFileError(f"{where}: {_first(error)}") from None
    return record


def from_plain(kind: type[T], data: Mapping[str, Any], where: str) -> T:
    """Build a record from plain values; ``where`` is the file and place for the message."""
    try:
        record: T = _adapter(kind).validate_python(dict(data))
    except (ValidationError, RecursionError) as error:
        raise DamagedFileError(f"{where}: {_first(error)}") from None
    return record


def _first(error: Exception) -> str:
    if not isinstance(error, ValidationError):
        return "nested too deeply"
    one = error.errors(include_url=False, include_context=False, include_input=False)[0]
    place = ".".join(map(str, one["loc"]))
    return f"{place}: {one['msg']}" if place else str(one["msg"])


def plain(value: object) -> object:
    """Make any value JSON-able: times as ISO text, numbers that JSON lacks as None."""
    if isinstance(value, str):
        return _utf8(value)
    if isinstance(value, bool | int) or value is None:
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, datetime):
        return utc(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {_utf8(str(k)): plain(v) for k, v in value.items()}
    if isinstance(value, Sequence | set | frozenset) and not isinstance(value, bytes | bytearray):
        return [plain(v) for v in value]
    if hasattr(value, "item"):  # a numpy scalar
        return plain(value.item())
    return _utf8(str(value))


def _utf8(text: str) -> str:
    """Replace what an instrument sent that is no character."""
    return text if text.isascii() else text.encode("utf-8", "replace").decode()


def stored(value: Any) -> Any:
    """Return a value as an HDF5 attribute can hold it; a text cannot hold NUL there."""
    return _utf8(value).replace("\0", "\N{SYMBOL FOR NULL}") if isinstance(value, str) else value


def utc(moment: datetime) -> str:
    """Return a time as ISO 8601 in UTC; a time without a zone is taken as UTC."""
    aware = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return aware.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def moment(text: str, where: str) -> datetime:
    """Read a time that `utc` wrote."""
    try:
        parsed = datetime.fromisoformat(text)
    except ValueError:
        raise DamagedFileError(f"{where}: {text[:40]!r} is not a time") from None
    return parsed if parsed.tzinfo else parsed.replace(tzinfo=UTC)


def write_checked(path: Path, kind: str, body: str, doing: str) -> None:
    """Write a small text file durably, with a first line by which `read_checked` proves it."""
    digest = hashlib.sha256(body.encode()).hexdigest()
    replace_text(path, f"floorshot-spool 1 {kind} {digest}\n{body}", doing)


def read_checked(path: Path, kind: str) -> str:
    """Return the body of a file of `write_checked`.

    Raises
    ------
    DamagedFileError
        Where the file is missing, of another kind or version, or changed.
    """
    if not path.is_file():
        raise DamagedFileError(f"{path}: missing; expected the {kind} of a spooled run")
    head, _, body = read_bounded(path, LARGEST_TEXT_FILE).partition(b"\n")
    words = head.decode("ascii", "replace").split(" ")
    if words[:1] != ["floorshot-spool"] or len(words) != 4 or words[2] != kind:
        raise DamagedFileError(f"{path}: not the {kind} of a spooled run")
    if words[1] != "1":
        raise DamagedFileError(f"{path}: format version {words[1]}; this program reads version 1")
    if hashlib.sha256(body).hexdigest() != words[3]:
        raise DamagedFileError(f"{path}: not what was written (its checksum differs)")
    return body.decode("utf-8", "replace")


def compact(value: object) -> str:
    """Return one line of JSON."""
    return json.dumps(plain(value), ensure_ascii=False, separators=(",", ":"), allow_nan=False)
