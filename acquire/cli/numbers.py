"""Numbers as they stand in a table cell, on top of ``acquire.analysis.digits``.

A value ends where its uncertainty ends (GUM 7.2.6); a cell shows at most four digits of a level,
even where more would be justified, and leaves the uncertainty itself to the interval beside it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from acquire.analysis.digits import PREFIXES, format_db, last_place

UNKNOWN = "-"
"""Stands where a number does not exist (JSON's null)."""

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
    spread = standard_uncertainty or 0.0
    if not value and not spread:
        return f"0 {unit}"
    value = round(value, -_last_digit(value, spread))  # so that 999.96 is 1000.0 before its prefix
    last = _last_digit(value, spread)
    power = _prefix(max(abs(value), spread))
    return f"{value / 10.0**power:.{max(0, power - last)}f} {PREFIXES[power]}{unit}"


def _last_digit(value: float, standard_uncertainty: float) -> int:
    """Return the power of ten of the last digit worth showing."""
    if not standard_uncertainty:
        return last_place(abs(value), _DIGITS_WITHOUT_UNCERTAINTY)
    justified = last_place(standard_uncertainty)
    return max(justified, last_place(abs(value), _MOST_DIGITS)) if value else justified


def _prefix(size: float) -> int:
    power = 3 * math.floor(math.floor(math.log10(size)) / 3)
    return min(max(power, min(PREFIXES)), max(PREFIXES))


def attenuation(result: Mapping[str, Any]) -> str:
    """Return ``40.04 dB``, ``at least 52.3 dB``, or that there is nothing to tell."""
    return _words(result)[0]


def interval(result: Mapping[str, Any]) -> str:
    """Return ``39.21 to 40.86 dB``; empty where a bound already says it all."""
    return _words(result)[1]


def _words(result: Mapping[str, Any]) -> tuple[str, str]:
    """Return value and interval; the interval's ends are rounded outwards."""
    if result["state"] == "invalid":
        return UNKNOWN, ""
    low, high = result["interval_db"]
    value, _, ends = format_db(result["db"], (low, high)).partition(" (")
    return value, f"{ends.rstrip(')')} dB" if ends else ""


def ratio(result: Mapping[str, Any]) -> str:
    """Return the attenuation as an amplitude ratio, such as ``100 : 1`` or ``> 412 : 1``."""
    low, _ = result["interval_db"]
    if result["state"] == "floor-limited":
        return "" if low is None else f"> {_significant(10 ** (low / 20), up=False)} : 1"
    if result["state"] == "invalid" or result["ratio"] is None:
        return ""
    return f"{_significant(result['ratio'])} : 1"


def _significant(value: float, digits: int = 3, *, up: bool = True) -> str:
    last = last_place(value, digits)
    scaled = value / 10.0**last
    rounded = (round(scaled) if up else math.floor(scaled)) * 10.0**last
    return f"{rounded:.{max(0, -last)}f}"


def uncertainty_db(value: float) -> str:
    """Return a standard uncertainty in dB with two significant digits, such as ``0.21``."""
    place = last_place(value)
    return f"{value:.{max(0, -place)}f}"


def counted(count: int, noun: str) -> str:
    """Return ``1 shot`` or ``3 shots``."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def limit(wanted: Mapping[str, Any], unit: str) -> str:
    """Return what a limit asks for; ``unit`` is that of its quantity."""
    if wanted["attenuation_at_least"] is not None:
        return f"attenuation at least {wanted['attenuation_at_least']:g} dB"
    return f"residual at most {engineering(wanted['residual_at_most'], unit)}"
