"""Quantities as people write them, ``50 mV``, and as the program reckons, 0.05 in SI.

Every number that has a unit must be written with it; a bare ``5`` could be volts or millivolts, so
it is an error that says what to write. Only a listed unit is read: a general reader of quantities
takes ``3 fortnights`` for a number with the prefix femto. `quantiphy` renders a float with the
prefix that suits it, rounded correctly.

The annotated types at the end are for pydantic models: they read a text, hand over a float, and
carry their own JSON Schema.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema
from quantiphy import Quantity

PREFIXES = {
    "T": 12, "G": 9, "M": 6, "k": 3, "": 0, "m": -3,
    "u": -6, "\N{MICRO SIGN}": -6, "\N{GREEK SMALL LETTER MU}": -6,
    "n": -9, "p": -12, "f": -15,
}  # fmt: skip
"""SI prefix -> power of ten; keyboards give either code point for micro."""

_MANTISSA = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
_EXPONENT = r"[eE][+-]?[0-9]{1,3}"
_NUMBER_THEN_REST = re.compile(rf"\s*({_MANTISSA})({_EXPONENT})?\s*(.*?)\s*", re.DOTALL)
_LONGEST = 60

Sign = Literal["any", "not negative", "positive"]


@dataclass(frozen=True, slots=True)
class Unit:
    """One accepted unit.

    Attributes
    ----------
    symbol : as it is printed.
    spellings : every accepted way to write it, ``symbol`` among them.
    prefixed : whether an SI prefix may stand before it.
    example : a text that is accepted.
    """

    symbol: str
    spellings: tuple[str, ...]
    prefixed: bool
    example: str

    @property
    def pattern(self) -> str:
        """A regular expression (without anchors) for every accepted text."""
        prefix = f"[{''.join(PREFIXES)}]?" if self.prefixed else ""
        units = "|".join(re.escape(s) for s in self.spellings)
        return rf"{_MANTISSA}(?:{_EXPONENT})? *{prefix}(?:{units})"

    def power_of_ten(self, written: str) -> int | None:
        """Return what the prefix in ``written`` stands for, or None where it is not this unit."""
        for spelling in self.spellings:
            prefix = written.removesuffix(spelling)
            if prefix != written and prefix in (PREFIXES if self.prefixed else ("",)):
                return PREFIXES[prefix]
        return None


UNITS: dict[str, Unit] = {
    unit.symbol: unit
    for unit in (
        Unit("V", ("V",), True, "50 mV"),
        Unit("A", ("A",), True, "0.5 A"),
        # U+2126 OHM SIGN is what some keyboards give for U+03A9
        Unit("ohm", ("ohm", "\N{GREEK CAPITAL LETTER OMEGA}", "\N{OHM SIGN}"), True, "50 ohm"),
        Unit("s", ("s",), True, "2 us"),
        Unit("Hz", ("Hz",), True, "150 kHz"),
        Unit("Sa/s", ("Sa/s", "S/s"), True, "250 MSa/s"),
        Unit("H", ("H",), True, "100 uH"),
        Unit("F", ("F",), True, "10 nF"),
        Unit("dB", ("dB",), False, "30 dB"),
        Unit("%", ("%",), False, "95 %"),
    )
}
"""Symbol -> unit. The reader, the JSON Schema and the README derive from this table."""


@dataclass(frozen=True, slots=True)
class Physical:
    """A value whose unit depends on what is measured. [A or V]"""

    value: float
    unit: Literal["A", "V"]

    def __str__(self) -> str:
        return format_quantity(self.value, self.unit)


def parse_quantity(written: object, unit: str) -> float:
    """Read a text such as ``50 mV``.

    Parameters
    ----------
    written : what a person wrote; anything but a text with a number and its unit is refused.
    unit : a key of ``UNITS``.

    Returns
    -------
    The value in SI (a fraction of one for "%", decibels for "dB"); always finite.

    Raises
    ------
    ValueError
        With a sentence that says what was found and what to write.
    """
    return _parse_any(written, (unit,))[0]


def _parse_any(written: object, symbols: tuple[str, ...]) -> tuple[float, str]:
    advice = f"write it in {' or '.join(symbols)}, like '{UNITS[symbols[0]].example}'"
    if isinstance(written, int | float) and not isinstance(written, bool):
        raise ValueError(f"{written} has no unit; {advice}")
    if not isinstance(written, str):
        raise ValueError(f"expected a number with a unit, found {_kind(written)}; {advice}")
    shown = written if len(written) <= _LONGEST else written[:_LONGEST] + "..."
    match = _NUMBER_THEN_REST.fullmatch(written) if len(written) <= _LONGEST else None
    if match is None:
        raise ValueError(f"'{shown}' is not a number with a unit; {advice}")
    mantissa, exponent, rest = match.groups()
    if not rest:
        raise ValueError(f"'{shown}' has no unit; {advice}")
    if rest.startswith(","):
        raise ValueError(f"'{shown}' has a comma; use a decimal point and {advice}")
    for symbol in symbols:
        power = UNITS[symbol].power_of_ten(rest)
        if power is not None:
            # one decimal literal, so that Python rounds once and 50 mV is the float 0.05
            value = float(f"{mantissa}e{int(exponent[1:] if exponent else 0) + power}")
            value += 0.0  # -0 V is 0 V
            if not math.isfinite(value):
                raise ValueError(f"'{shown}' is too large to be meant; {advice}")
            return (value / 100 if symbol == "%" else value), symbol
    raise ValueError(f"'{shown}' has the unit '{rest}'; {advice}")


def format_quantity(value: float, unit: str, digits: int = 4) -> str:
    """Write a value for people: ``format_quantity(0.05, "V")`` is ``50 mV``.

    Parameters
    ----------
    value : in SI (a fraction for "%", decibels for "dB").
    unit : a key of ``UNITS``, or any other text to stand behind the number.
    digits : significant digits; trailing zeros are left off. With 17, reading it back gives the
        very same float (except "%", which is scaled by 100).
    """
    if unit in ("dB", "%"):
        shown = value * 100 if unit == "%" else value
        return f"{shown:.{digits}g} {unit}"
    if not math.isfinite(value):
        return f"{value} {unit}"
    text: str = _Rendered(value, unit).render(
        form="si", prec=max(digits - 1, 0), strip_zeros=True, strip_radix=True
    )
    return text


class _Rendered(Quantity):
    """A subclass, so that our preferences stay ours."""


_Rendered.set_prefs(output_sf="TGMkmunpf")  # only what is read back


def _kind(value: object) -> str:
    """Name what a YAML value is, in a person's words."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a block of settings"
    if isinstance(value, list | tuple):
        return "a list"
    return type(value).__name__


def _check_sign(value: float, sign: Sign, written: object) -> float:
    if (sign == "positive" and value <= 0) or (sign == "not negative" and value < 0):
        wanted = "more than zero" if sign == "positive" else "zero or more"
        raise ValueError(f"'{written}' must be {wanted}")
    return value


@dataclass(frozen=True, slots=True, eq=False)  # hashed by identity, for `Volts | None`
class _Reader:
    """What pydantic asks: how to validate, and the JSON Schema to show to an editor."""

    read: Callable[[object], object]
    schema: dict[str, Any]

    def __get_pydantic_core_schema__(
        self, _source: object, _handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        def validate(written: object) -> object:
            try:
                return self.read(written)
            except ValueError as error:
                # braces would be taken for placeholders, so the sentence travels as a value
                raise PydanticCustomError(
                    "quantity", "{sentence}", {"sentence": str(error)}
                ) from None

        return core_schema.no_info_plain_validator_function(validate)

    def __get_pydantic_json_schema__(
        self, _schema: CoreSchema, _handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return dict(self.schema)


def _in(symbol: str, sign: Sign = "positive") -> _Reader:
    unit = UNITS[symbol]
    return _Reader(
        lambda written: _check_sign(parse_quantity(written, symbol), sign, written),
        {
            "type": "string",
            "pattern": f"^{unit.pattern}$",
            "examples": [unit.example],
            "unit": symbol,
        },
    )


def _level(sign: Sign = "any") -> _Reader:
    def read(written: object) -> Physical:
        value, symbol = _parse_any(written, ("A", "V"))
        return Physical(_check_sign(value, sign, written), "A" if symbol == "A" else "V")

    return _Reader(
        read,
        {
            "type": "string",
            "pattern": f"^(?:{UNITS['A'].pattern}|{UNITS['V'].pattern})$",
            "examples": [UNITS["A"].example, UNITS["V"].example],
        },
    )


def with_written_defaults(schema: Any) -> Any:
    """Return a JSON Schema in which every default of a quantity is as a person would write it.

    A model's default is the float that the program reckons with; in a file it needs its unit. The
    default of a whole block is left out, since each of its settings has its own.
    """
    if isinstance(schema, list):
        return [with_written_defaults(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    found = {key: with_written_defaults(item) for key, item in schema.items()}
    if "patternProperties" in found:
        found["additionalProperties"] = False
    unit, default = found.get("unit"), found.get("default")
    if isinstance(default, dict):
        del found["default"]
    if isinstance(unit, str) and isinstance(default, float):
        found["default"] = format_quantity(default, unit, digits=15)
    return found


def _fraction(lowest_open: bool, highest_open: bool) -> _Reader:
    bounds = f"{'more than' if lowest_open else 'at least'} 0 and "
    bounds += f"{'less than' if highest_open else 'at most'} 1"

    def read(written: object) -> float:
        if isinstance(written, bool) or not isinstance(written, int | float):
            value = parse_quantity(written, "%")
        else:
            value = float(written)
            if 1 < value <= 100:
                raise ValueError(f"{written} has no unit; for percent write '{value:g} %'")
        low = value > 0 if lowest_open else value >= 0
        high = value < 1 if highest_open else value <= 1
        if not (low and high):
            raise ValueError(f"'{written}' must be {bounds}, like '95 %' or 0.95")
        return value

    number: dict[str, Any] = {
        "type": "number",
        "exclusiveMinimum" if lowest_open else "minimum": 0,
        "exclusiveMaximum" if highest_open else "maximum": 1,
    }
    percent = {"type": "string", "pattern": f"^{UNITS['%'].pattern}$"}
    return _Reader(
        read,
        {
            "anyOf": [number, percent],
            "examples": [UNITS["%"].example, 0.95],
        },
    )


Volts = Annotated[float, _in("V")]
Amperes = Annotated[float, _in("A")]
Ohms = Annotated[float, _in("ohm")]
Seconds = Annotated[float, _in("s")]
SecondsOrZero = Annotated[float, _in("s", "not negative")]
Hertz = Annotated[float, _in("Hz")]
SampleRate = Annotated[float, _in("Sa/s")]
Decibels = Annotated[float, _in("dB", "any")]
DecibelsOrMore = Annotated[float, _in("dB", "not negative")]
Level = Annotated[Physical, _level()]
PositiveLevel = Annotated[Physical, _level("positive")]
Fraction = Annotated[float, _fraction(lowest_open=False, highest_open=False)]
Coverage = Annotated[float, _fraction(lowest_open=True, highest_open=True)]
