"""Parameters of a program message: data types of IEEE 488.2 ch. 7 and SCPI-99 vol. 1 ch. 7."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Protocol

from simulated_instruments.status import ScpiError

_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:\s*[eE]\s*[+-]?\d+)?)\s*([A-Za-z/%]*)\Z")
_CHARACTER = re.compile(r"[A-Za-z][A-Za-z0-9_]*\Z")
_MULTIPLIERS = {
    "": 1.0,
    "G": 1e9,
    "MA": 1e6,
    "K": 1e3,
    "M": 1e-3,  # IEEE 488.2 table 7-1: M is milli, except before HZ and OHM
    "U": 1e-6,
    "N": 1e-9,
    "P": 1e-12,
}


class Parameter(Protocol):
    """What turns the text of one parameter into a value, or raises ScpiError."""

    def parse(self, text: str) -> object:
        """Return the value of ``text``."""


def spellings(mnemonic: str) -> tuple[str, str]:
    """Return the only two spellings of a mnemonic such as ``VOLTage``: short and long form."""
    return re.sub(r"[a-z].*", "", mnemonic), mnemonic.upper()


def kind_error(text: str, character: int = -148) -> ScpiError:
    """Return the "... data not allowed" error for the data type that ``text`` has."""
    if text[:1] in "\"'":
        return ScpiError(-158, text)
    if text[:1] == "#":
        return ScpiError(-168)
    if text[:1] == "(":
        return ScpiError(-178, text)
    if _CHARACTER.match(text):
        return ScpiError(character, text)
    return ScpiError(-121 if text[:1].isdigit() or text[:1] in "+-." else -102, text)


@dataclass(frozen=True, slots=True)
class Number:
    """A decimal number; ``unit`` names the suffix that may follow, with the standard multipliers.

    ``MINimum``, ``MAXimum`` and ``DEFault`` are accepted where ``special`` holds a value for them.
    """

    unit: str = ""
    special: tuple[tuple[str, float], ...] = ()

    def parse(self, text: str) -> float:
        """Return the number in the base unit."""
        found = _NUMBER.match(text)
        if not found:
            for name, value in self.special:
                if text.upper() in spellings(name):
                    return value
            raise kind_error(text)
        number = float(re.sub(r"\s", "", found[1]))
        if not math.isfinite(number):
            raise ScpiError(-222, text)
        return number * self._multiplier(found[2].upper(), text)

    def _multiplier(self, suffix: str, text: str) -> float:
        if not suffix:
            return 1.0
        if not self.unit:
            raise ScpiError(-138, text)
        if not suffix.endswith(self.unit):
            raise ScpiError(-131, text)
        prefix = suffix[: -len(self.unit)]
        if prefix == "M" and self.unit in ("HZ", "OHM"):
            return 1e6
        if prefix not in _MULTIPLIERS:
            raise ScpiError(-131, text)
        return _MULTIPLIERS[prefix]


@dataclass(frozen=True, slots=True)
class Integer:
    """A decimal number that is rounded to an integer, as IEEE 488.2 7.7.2.4 has it."""

    special: tuple[tuple[str, float], ...] = ()

    def parse(self, text: str) -> int:
        """Return the integer."""
        return round(Number(special=self.special).parse(text))


@dataclass(frozen=True, slots=True)
class Boolean:
    """``ON``, ``OFF`` or a number that is rounded: 0 is off, anything else is on."""

    def parse(self, text: str) -> bool:
        """Return whether it is on."""
        word = text.upper()
        if word in ("ON", "OFF"):
            return word == "ON"
        if _CHARACTER.match(text):
            raise ScpiError(-141, text)
        return Integer().parse(text) != 0


class Choice:
    """One of several words, short or long form exactly, as in ``Choice("POSitive|NEGative")``.

    ``parse`` returns the canonical short form in upper case.
    """

    def __init__(self, words: str) -> None:
        self.words = tuple(words.split("|"))
        self._short = {s: spellings(w)[0] for w in self.words for s in spellings(w)}

    def parse(self, text: str) -> str:
        """Return the short form of the word."""
        short = self._short.get(text.upper())
        if short is not None:
            return short
        if _NUMBER.match(text):
            raise ScpiError(-128, text)
        raise kind_error(text, character=-141)


@dataclass(frozen=True, slots=True)
class Quoted:
    """A string in single or double quotes; a doubled quote stands for itself."""

    def parse(self, text: str) -> str:
        """Return the string without quotes."""
        quote = text[:1]
        if quote not in ('"', "'"):
            raise ScpiError(-148 if _CHARACTER.match(text) else -104, text)
        if len(text) < 2 or text[-1] != quote:
            raise ScpiError(-151, text)
        return text[1:-1].replace(quote * 2, quote)


@dataclass(frozen=True, slots=True)
class Raw:
    """Any parameter as it stands."""

    def parse(self, text: str) -> str:
        """Return the text."""
        return text


@dataclass(frozen=True, slots=True)
class ChannelList:
    """``(@101,103:105)``, numbers of relays (SCPI-99 vol. 1 ch. 8.3.2)."""

    longest: int = 100

    def parse(self, text: str) -> tuple[int, ...]:
        """Return the channels in the order given."""
        if text[:1] != "(":
            raise ScpiError(-104, text)
        found = re.fullmatch(r"\(\s*@\s*([0-9:,\s]*)\)", text)
        if not found or not found[1].strip():
            raise ScpiError(-171, text)
        channels: list[int] = []
        for entry in found[1].split(","):
            limits = [part.strip() for part in entry.split(":")]
            if len(limits) > 2 or not all(part.isdigit() for part in limits):
                raise ScpiError(-171, text)
            low, high = int(limits[0]), int(limits[-1])
            if abs(high - low) >= self.longest:
                raise ScpiError(-222, text)
            channels.extend(range(low, high + 1) if high >= low else range(low, high - 1, -1))
        return tuple(channels)


class Source:
    """A numbered word or one of some others, as in ``Source("CHANnel", "EXTernal")``.

    ``parse`` returns the number, or the short form of the other word.
    """

    def __init__(self, stem: str, others: str = "") -> None:
        self._stem = spellings(stem)
        self._others = Choice(others) if others else None

    def parse(self, text: str) -> int | str:
        """Return 2 for ``CHAN2``, ``EXT`` for ``EXTERNAL``."""
        word = text.upper().rstrip("0123456789")
        digits = text[len(word) :]
        if word in self._stem and digits and len(digits) < 4:
            return int(digits)
        if self._others is None:
            raise ScpiError(-141, text)
        return self._others.parse(text)
