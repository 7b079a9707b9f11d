"""The words of IEEE 488.2 and SCPI-99, without any I/O: bytes and text in, values out.

The rules of this file:

* Nothing here is lenient where leniency could turn a wrong answer into a right-looking number.
* A block is counted, never searched for its end: 0x0A may stand anywhere in binary data.
* Every refusal is an ``AnswerError`` that quotes what came; the link adds the instrument's name.

Sources: IEEE 488.2-1992 section 8.7 (response data formats: NR1, NR2, NR3, string, definite and
indefinite length block); SCPI-99 volume 1 section 7.2.1 (9.9E37 is infinity, 9.91E37 is not a
number) and volume 2 section 21.8 (the error queue).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import TypeVar

from drivers.errors import AnswerError, InstrumentError
from drivers.scope import Identity

T = TypeVar("T")

INFINITY = 9.9e37
NOT_A_NUMBER = 9.91e37

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_SUFFIXED = re.compile(rf"({_NUMBER.pattern})\s*([A-Za-z%/]*)")
_MULTIPLIERS = {"": 1.0, "k": 1e3, "M": 1e6, "G": 1e9, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12}


def shown(answer: str | bytes, limit: int = 60) -> str:
    """Return an answer as it can stand in a message: quoted, and cut where it is long."""
    text = repr(answer if len(answer) <= limit else answer[:limit])
    return text if len(answer) <= limit else f"{text} ({len(answer)} characters)"


# -- blocks ----------------------------------------------------------------------------------------
def block_digits(first: bytes) -> int:
    """Return how many digits of length follow the two bytes ``#N`` that open a definite block.

    Raises
    ------
    AnswerError
        If the bytes open no definite-length block. ``#0`` (indefinite length) is refused: on a
        plain socket its end cannot be told from its contents.
    """
    if len(first) != 2 or first[:1] != b"#":
        raise AnswerError(
            f"expected a data block that opens with '#' and one digit, got {shown(first)}"
        )
    if first[1:] == b"0":
        raise AnswerError(
            "the data block is of indefinite length (#0), whose end cannot be verified; "
            "a block with a stated length was expected"
        )
    if not first[1:].isdigit():
        raise AnswerError(f"the data block opens with {shown(first)}; a digit must follow '#'")
    return first[1] - ord("0")


def block_length(digits: bytes, limit: int) -> int:
    """Return the number of data bytes that a block's length digits state.

    Raises
    ------
    AnswerError
        If they are no decimal digits, or state more than ``limit`` bytes.
    """
    if not digits.isdigit():
        raise AnswerError(f"the data block states its length as {shown(digits)}, not in digits")
    length = int(digits)
    if length > limit:
        raise AnswerError(
            f"the data block states a length of {length} bytes; at most {limit} were expected"
        )
    return length


# -- numbers and words -----------------------------------------------------------------------------
def number(answer: str) -> float:
    """Return an NR1, NR2 or NR3 number; ``inf`` for SCPI's overload value, ``nan`` for its nan."""
    text = answer.strip()
    if not _NUMBER.fullmatch(text):
        raise AnswerError(f"expected a number, got {shown(answer)}")
    value = float(text)
    if math.isclose(value, NOT_A_NUMBER, rel_tol=1e-6):
        return math.nan
    if abs(value) >= INFINITY * (1 - 1e-9):
        return math.copysign(math.inf, value)
    return value


def finite(answer: str, what: str) -> float:
    """Return a number that must be an ordinary one; ``what`` names it in the message."""
    value = number(answer)
    if not math.isfinite(value):
        raise AnswerError(f"{what}: expected an ordinary number, got {shown(answer)}")
    return value


def positive(answer: str) -> float:
    """Return a number that must be an ordinary one above zero (a rate, a step, a scale)."""
    value = number(answer)
    if not (math.isfinite(value) and value > 0):
        raise AnswerError(f"expected a number above zero, got {shown(answer)}")
    return value


def integer(answer: str) -> int:
    """Return a whole number, however it is written (``4``, ``+4``, ``4.0E0``)."""
    value = number(answer)
    if not math.isfinite(value) or value != int(value):
        raise AnswerError(f"expected a whole number, got {shown(answer)}")
    return int(value)


def suffixed_number(answer: str) -> float:
    """Return a number that carries a unit with a multiplier, such as ``1.00GSa/s`` or ``-5.0ns``.

    The units that occur are V, s, S, Hz, Sa, Sa/s, Sa with kilo and mega as ``K``/``M`` included.
    """
    match = _SUFFIXED.fullmatch(answer.strip())
    if match is None:
        raise AnswerError(f"expected a number with a unit, got {shown(answer)}")
    suffix = match.group(4)
    for unit in ("Sa/s", "pts", "Sa", "Hz", "S", "s", "V", "%"):
        if suffix.endswith(unit):
            suffix = suffix.removesuffix(unit)
            break
    multiplier = _MULTIPLIERS.get("k" if suffix == "K" else suffix)
    if multiplier is None:
        raise AnswerError(f"the unit of {shown(answer)} is not known")
    return number(match.group(1)) * multiplier


def numbers(answer: str, count: int | None = None) -> tuple[float, ...]:
    """Return comma-separated numbers; exactly ``count`` of them where that is given."""
    parts = [part for part in answer.strip().split(",") if part.strip()]
    if count is not None and len(parts) != count:
        raise AnswerError(f"expected {count} numbers, got {len(parts)}: {shown(answer)}")
    return tuple(number(part) for part in parts)


def boolean(answer: str) -> bool:
    """Return what ``0``/``1`` or ``OFF``/``ON`` say."""
    word = answer.strip().upper()
    if word in {"1", "ON", "+1"}:
        return True
    if word in {"0", "OFF", "+0"}:
        return False
    raise AnswerError(f"expected 0, 1, OFF or ON, got {shown(answer)}")


def keyword(answer: str, meanings: Mapping[str, T]) -> T:
    """Return the meaning of one of a family's words, compared without case.

    A key such as ``POSitive`` stands for its short form (the upper-case part) and its long form.
    """
    word = answer.strip().strip('"').upper()
    for spelling, meaning in meanings.items():
        short = "".join(c for c in spelling if not c.islower())
        if word in {spelling.upper(), short}:
            return meaning
    raise AnswerError(f"expected one of {', '.join(meanings)}, got {shown(answer)}")


def same_value(answer: str, value: str) -> bool:
    """Whether an answer says the value that was set: a number, or a word in either of its forms.

    The short form of ``CHANnel1`` is ``CHAN1`` (SCPI-99 volume 1, section 6.2.1).
    """
    word = answer.strip().strip('"').upper()
    short = "".join(character for character in value if not character.islower())
    if word in {value.upper(), short.upper()}:
        return True
    try:
        return math.isclose(number(word), number(value))
    except AnswerError:
        return False


def unquoted(answer: str) -> str:
    """Return the contents of a quoted string; doubled quotes inside stand for one. 488.2, 8.7.8."""
    text = answer.strip()
    for quote in "\"'":
        if len(text) >= 2 and text[0] == text[-1] == quote:
            return text[1:-1].replace(quote * 2, quote)
    return text


def split_outside_quotes(answer: str) -> list[str]:
    """Split at the commas that stand outside double quotes; keep the quotes."""
    fields, quoted, field = [], False, ""
    for character in answer:
        if character == '"':
            quoted = not quoted
        if character == "," and not quoted:
            fields.append(field)
            field = ""
        else:
            field += character
    return [*fields, field]


# -- the common answers ----------------------------------------------------------------------------
def identity(answer: str) -> Identity:
    """Return the four fields of ``*IDN?``; a header left on by older units is taken off.

    Raises
    ------
    AnswerError
        If there are fewer than two fields (maker and model).
    """
    text = answer.strip()
    if text.upper().startswith("*IDN "):
        text = text[5:]
    fields = [field.strip().strip('"') for field in text.split(",", 3)]
    if len(fields) < 2 or not fields[0] or not fields[1]:
        raise AnswerError(
            f"*IDN? was answered with {shown(answer)}; maker, model, serial and firmware, "
            "separated by commas, were expected"
        )
    maker, model, serial, firmware = [*fields, "", ""][:4]
    return Identity(maker, model, serial, firmware, text.strip())


def error_entry(answer: str) -> InstrumentError | None:
    """Return one entry of ``SYSTem:ERRor?``; None when the queue is empty (code 0).

    Raises
    ------
    AnswerError
        If the answer opens with no whole number.
    """
    head, _, tail = answer.strip().partition(",")
    code = integer(head)
    return None if code == 0 else InstrumentError(code, unquoted(tail))


def event_list(answer: str) -> tuple[InstrumentError, ...]:
    """Return the entries of an event list ``code,"text",code,"text",...`` (``ALLEv?``).

    Codes 0 (nothing) and 1 (events pending, see ``*ESR?``) are no errors and are left out.
    """
    fields = split_outside_quotes(answer.strip())
    if len(fields) % 2:
        raise AnswerError(f"expected pairs of event code and text, got {shown(answer)}")
    pairs = zip(fields[::2], fields[1::2], strict=True)
    entries = (InstrumentError(integer(code), unquoted(text)) for code, text in pairs)
    return tuple(entry for entry in entries if entry.code not in {0, 1})


def step_125(value: float) -> float:
    """Return the smallest of 1, 2, 5 times a power of ten that is not below ``value``."""
    decade = 10.0 ** math.floor(math.log10(value))
    return next(m * decade for m in (1, 2, 5, 10) if m * decade >= value * (1 - 1e-9))
