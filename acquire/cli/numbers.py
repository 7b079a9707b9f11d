"""Numbers as they stand in a table: SI prefixes, and no more digits than their uncertainty carries.

The rule is that of GUM 7.2.6: the uncertainty has two digits at most, and the value ends where the
uncertainty ends. A table cell shows at most four digits even where more would be justified.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

UNKNOWN = "-"
"""Stands where a number does not exist (JSON's null)."""

_PREFIXES = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
_MOST_DIGITS = 4
_DIGITS_WITHOUT_UNCERTAINTY = 3


def level(quantity: Mapping[str, Any]) -> str:
    """Return a level with its unit, such as ``12.3 mA``."""
    return engineering(quantity["value"], quantity["unit"], quantity.get("standard_uncertainty"))


def engineering(value: float | None, unit: str, standard_uncertainty: float | None = None) -> str:
    """Return ``value`` with an SI prefix and the digits that its uncertainty justifies.

    Parameters
    ----------
    value : in ``unit``; None = unknown.
    unit : such as "A".
    standard_uncertainty : in ``unit``; None = unknown, three digits are shown.
    """
    if value is None:
        return UNKNOWN
    size = max(abs(value), standard_uncertainty or 0.0)
    if size == 0.0:
        return f"0 {unit}"
    value = round(value, -_last_digit(value, standard_uncertainty))  # 999.96 becomes 1000.0 first
    last = _last_digit(value, standard_uncertainty)
    power = _prefix_power(round(size, -last) or size)
    decimals = max(0, power - last)
    return f"{round(value, -last) / 10.0**power:.{decimals}f} {_PREFIXES[power]}{unit}"


def _last_digit(value: float, standard_uncertainty: float | None) -> int:
    """Return the power of ten of the last digit worth showing."""
    finest = _exponent(value) - _MOST_DIGITS + 1 if value else None
    if not standard_uncertainty:
        assert finest is not None
        return finest + _MOST_DIGITS - _DIGITS_WITHOUT_UNCERTAINTY
    justified = _exponent(standard_uncertainty) - 1
    return justified if finest is None else max(justified, finest)


def _exponent(value: float) -> int:
    return math.floor(math.log10(abs(value)))


def _prefix_power(size: float) -> int:
    wanted = 3 * math.floor(_exponent(size) / 3)
    return min(max(wanted, min(_PREFIXES)), max(_PREFIXES))


def attenuation(result: Mapping[str, Any]) -> str:
    """Return ``40.0 dB``, ``at least 52.3 dB``, or that there is nothing to tell."""
    low, _ = result["interval_db"]
    if result["state"] == "floor-limited":
        return UNKNOWN if low is None else f"at least {_floored(low)} dB"
    if result["state"] == "invalid" or result["db"] is None:
        return UNKNOWN
    return f"{result['db']:.{_db_decimals(result)}f} dB"


def interval(result: Mapping[str, Any]) -> str:
    """Return ``39.2 to 40.8 dB``; empty where a bound already says it all."""
    low, high = result["interval_db"]
    if result["state"] != "resolved" or low is None:
        return ""
    decimals = _db_decimals(result)
    if high is None:
        return f"{low:.{decimals}f} dB or more"
    return f"{low:.{decimals}f} to {high:.{decimals}f} dB"


def ratio(result: Mapping[str, Any]) -> str:
    """Return the attenuation as an amplitude ratio, such as ``100 : 1`` or ``> 412 : 1``."""
    low, _ = result["interval_db"]
    if result["state"] == "floor-limited":
        return "" if low is None else f"> {_significant(10 ** (low / 20), up=False)} : 1"
    if result["state"] == "invalid" or result["ratio"] is None:
        return ""
    return f"{_significant(result['ratio'])} : 1"


def _db_decimals(result: Mapping[str, Any]) -> int:
    """Return the decimals that the interval's width justifies: one, or two for a narrow one."""
    low, high = result["interval_db"]
    if low is None or high is None or high - low >= 2.0:
        return 1
    return 2 if high - low < 0.2 else 1


def _floored(db: float) -> str:
    """Round a lower bound down, so that what is printed is still true."""
    return f"{math.floor(db * 10) / 10:.1f}"


def _significant(value: float, digits: int = 3, *, up: bool = True) -> str:
    if value <= 0 or not math.isfinite(value):
        return UNKNOWN
    last = _exponent(value) - digits + 1
    scaled = value / 10.0**last
    rounded = (round(scaled) if up else math.floor(scaled)) * 10.0**last
    return f"{rounded:.{max(0, -last)}f}"


def uncertainty_db(value: float) -> str:
    """Return a standard uncertainty with two digits at most, such as ``0.21 dB``."""
    return f"{value:.1f} dB" if value >= 1 else f"{value:.2g} dB"


def limit(wanted: Mapping[str, Any]) -> str:
    """Return what a limit asks for."""
    if wanted.get("attenuation_at_least") is not None:
        return f"attenuation at least {wanted['attenuation_at_least']:g} dB"
    return f"residual at most {engineering(wanted['residual_at_most'], wanted.get('unit', ''))}"
