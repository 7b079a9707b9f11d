"""Numbers for people: the uncertainty to two significant digits, the value to match (GUM 7.2.6)."""

from __future__ import annotations

import math
from decimal import ROUND_HALF_EVEN, Decimal

from acquire.analysis.results import Level

PREFIXES = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
NOTHING = "–"
DIGITS_WITHOUT_UNCERTAINTY = 4


def last_place(uncertainty: float, digits: int = 2) -> int:
    """Return the power of ten of the last digit that an uncertainty leaves meaningful.

    Parameters
    ----------
    uncertainty : positive and finite.
    digits : significant digits to which it is given.
    """
    place = math.floor(math.log10(uncertainty)) - digits + 1
    rounded = _rounded(uncertainty, place)
    # 0.0996 becomes 0.10, which has its two digits one place further up.
    return place + 1 if rounded >= Decimal(10) ** (place + digits) else place


def rounded_pair(value: float, uncertainty: float) -> tuple[str, str]:
    """Return the value and its uncertainty as texts with matching last digits."""
    place = last_place(uncertainty)
    return _text(value, place), _text(uncertainty, place)


def format_level(level: Level) -> str:
    """Return a level such as ``1.234(12) A`` or ``0.35(11) mA``, by the SI prefix of its size.

    The digits in brackets are the standard uncertainty in units of the last digits given.
    """
    if not math.isfinite(level.value):
        return NOTHING
    u = level.standard_uncertainty
    known = u is not None and math.isfinite(u) and u > 0
    size = abs(level.value)
    if known and u is not None:
        # Rounded first: 0.9996(0.1) A is 1.00(10) A, not 1000(100) mA.
        size = max(u, abs(float(_rounded(level.value, last_place(u)))))
    power = _prefix(size)
    scale = 10.0**-power
    unit = f"{PREFIXES[power]}{level.unit}"
    if not known or u is None:
        return f"{_significant(level.value * scale)} {unit}"
    place = last_place(u * scale)
    value = _text(level.value * scale, place)
    if place >= 0:
        return f"{value}({_text(u * scale, place)}) {unit}"
    spread = int(_rounded(u * scale, place).scaleb(-place))
    if spread >= 10**-place:  # 1.2(3.4), for 1.2(34) would hide the decimal point
        return f"{value}({_text(u * scale, place)}) {unit}"
    return f"{value}({spread}) {unit}"


def format_db(db: float | None, interval: tuple[float | None, float | None] = (None, None)) -> str:
    """Return an attenuation such as ``31.42 dB (30.9 to 32.0)`` or ``at least 46.1 dB``.

    A bound is rounded down (``at least``), the ends of an interval outwards, so that rounding
    never claims more than was found.
    """
    low, high = interval
    if db is None:
        if low is None:
            return NOTHING
        return f"at least {_directed(low, -1, down=True)} dB"
    if low is None or high is None or high <= low:
        return f"{_text(db, -2)} dB"
    place = min(0, last_place((high - low) / 4))
    place = max(place, -3)
    ends = f"{_directed(low, place, down=True)} to {_directed(high, place, down=False)}"
    return f"{_text(db, place)} dB ({ends})"


def format_span(low: float | None, high: float | None, unit: str) -> str:
    """Return limits of a level such as ``94.1 to 96.3 mA``, rounded outwards; None = unbounded."""
    ends = [end for end in (low, high) if end is not None]
    if not ends:
        return NOTHING
    power = _prefix(max(map(abs, ends)))
    scaled = [end * 10.0**-power for end in ends]
    shown = f"{PREFIXES[power]}{unit}"
    if low is None or high is None:
        size = abs(scaled[0])
        place = last_place(size, DIGITS_WITHOUT_UNCERTAINTY) if size else 0
        word = "at most" if low is None else "at least"
        return f"{word} {_directed(scaled[0], place, down=high is None)} {shown}"
    width = scaled[1] - scaled[0]
    place = last_place(width / 4 if width > 0 else max(map(abs, scaled)) or 1.0)
    first = _directed(scaled[0], place, down=True)
    return f"{first} to {_directed(scaled[1], place, down=False)} {shown}"


def _prefix(size: float) -> int:
    if size <= 0:
        return 0
    power = 3 * math.floor(math.log10(size) / 3 + 1e-12)
    return min(9, max(-12, power))


def _significant(value: float) -> str:
    if value == 0:
        return "0"
    return _text(value, last_place(abs(value), DIGITS_WITHOUT_UNCERTAINTY))


def _rounded(value: float, place: int, rounding: str = ROUND_HALF_EVEN) -> Decimal:
    return Decimal(repr(float(value))).quantize(Decimal(1).scaleb(place), rounding=rounding)


def _text(value: float, place: int) -> str:
    rounded = _rounded(value, place)
    shown = f"{rounded:f}" if place < 0 else f"{int(rounded)}"
    return shown.lstrip("-") if rounded == 0 else shown


def _directed(value: float, place: int, *, down: bool) -> str:
    rounded = _rounded(value, place, "ROUND_FLOOR" if down else "ROUND_CEILING")
    return f"{rounded:f}" if place < 0 else f"{int(rounded)}"
