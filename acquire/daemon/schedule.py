"""When a schedule is due: pure functions from a rule, a zone and a time to the next time.

Three kinds, each with what it means when the clock changes:

* ``at``: one moment, on the wall clock of its zone.
* ``every``: an interval of real time. When the clock is stepped, the next time steps with it.
* ``cron``: five fields on the wall clock of its zone. In spring a time that does not exist is run
  at the next one that does; in autumn a fixed time is run once (the rules of Debian's cron).

A schedule never piles up: what was missed is counted and skipped, not made up for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from cronsim import CronSim, CronSimError

from acquire.errors import BadInputError

Kind = Literal["at", "every", "cron"]

SHORTEST = 1.0
"""The shortest interval of an ``every`` rule. [s]"""

_UNITS = {"s": 1, "min": 60, "h": 3600, "d": 86400}


@dataclass(frozen=True, slots=True)
class Rule:
    """When something recurs.

    Attributes
    ----------
    kind : see the module.
    text : a moment, an interval or five cron fields, as accepted by ``parse``.
    zone : name of the time zone of ``at`` and ``cron``, such as ``Europe/Berlin``.
    """

    kind: Kind
    text: str
    zone: str


def parse(kind: Kind, text: str, zone: str) -> Rule:
    """Check a rule and return it in its stored form.

    Raises
    ------
    BadInputError
        If the text or the zone cannot be read; the message says what to write.
    """
    _zone(zone)
    if kind == "every":
        return Rule(kind, f"{interval(text):g}", zone)
    if kind == "at":
        return Rule(kind, moment(text, zone).isoformat(), zone)
    try:
        next(CronSim(text, datetime(2026, 1, 1, tzinfo=UTC)))
    except (CronSimError, StopIteration) as why:
        raise BadInputError(
            f"--cron: {text!r} is not a cron expression ({why}); write five fields: minute, hour,"
            " day of month, month, day of week, such as '30 6 * * 1-5'"
        ) from why
    return Rule(kind, " ".join(text.split()), zone)


def interval(text: str) -> float:
    """Read ``30 min``, ``2h``, ``90 s`` or ``1 d``. [s]

    Raises
    ------
    BadInputError
        If it is none of these, or shorter than ``SHORTEST``.
    """
    compact = text.replace(" ", "")
    digits = compact.rstrip("abcdefghijklmnopqrstuvwxyz")
    unit = compact[len(digits) :]
    try:
        seconds = float(digits) * _UNITS[unit]
    except (ValueError, KeyError):
        seconds = math.nan
    if not (math.isfinite(seconds) and seconds >= SHORTEST):
        raise BadInputError(
            f"--every: {text!r} is not an interval of at least {SHORTEST:g} s; write a number and"
            " s, min, h or d, such as '30 min'"
        )
    return seconds


def moment(text: str, zone: str) -> datetime:
    """Read an ISO 8601 date and time; without an offset it is meant in ``zone``.

    Raises
    ------
    BadInputError
        If it is none, or does not exist in the zone (the hour that spring leaves out).
    """
    try:
        when = datetime.fromisoformat(text.strip())
    except ValueError as why:
        raise BadInputError(
            f"--at: {text!r} is not a date and time; write it like 2026-11-25T22:30"
        ) from why
    if when.tzinfo is not None:
        return when
    when = when.replace(tzinfo=_zone(zone))
    if when.astimezone(UTC).astimezone(when.tzinfo) != when:
        raise BadInputError(f"--at: {text!r} does not exist in {zone}: the clock is put on there")
    return when


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as why:
        raise BadInputError(
            f"time zone {name!r} is not known here; write one like Europe/Berlin or UTC"
        ) from why


def first(rule: Rule, now: float) -> float | None:
    """Return a new schedule's first due time; None where its moment has passed. [s since epoch]

    An ``every`` rule is due at once.
    """
    if rule.kind == "every":
        return now
    if rule.kind == "at":
        due = datetime.fromisoformat(rule.text).timestamp()
        return due if due >= now else None
    return _next_cron(rule, now)


def following(rule: Rule, due: float, now: float) -> tuple[float | None, int]:
    """Return the next due time after ``due`` that is still to come, and how many were missed.

    Parameters
    ----------
    due : the time that is being served. [s since epoch]
    now : [s since epoch]
    """
    if rule.kind == "at":
        return None, 0
    if rule.kind == "every":
        period = float(rule.text)
        missed = max(0, math.floor((now - due) / period))
        return due + (missed + 1) * period, missed
    following_due = _next_cron(rule, due)
    missed = 0
    while following_due <= now:
        following_due = _next_cron(rule, following_due)
        missed += 1
        if missed >= 10_000:  # a clock that stood years behind: do not count every minute
            return _next_cron(rule, now), missed
    return following_due, missed


def stepped(rule: Rule, due: float, step: float) -> float:
    """Return the due time after the clock was stepped by ``step``: real time for ``every``. [s]"""
    return due + step if rule.kind == "every" else due


def _next_cron(rule: Rule, after: float) -> float:
    start = datetime.fromtimestamp(after, _zone(rule.zone))
    return next(CronSim(rule.text, start)).timestamp()


@dataclass(slots=True)
class ClockWatch:
    """Notices that the wall clock was stepped against the monotonic clock.

    Attributes
    ----------
    tolerance : smaller differences are the clock being disciplined, not a step. [s]
    """

    wall: float
    monotonic: float
    tolerance: float = 30.0

    def step(self, wall: float, monotonic: float) -> float:
        """Return by how much the wall clock was stepped since the last call, or 0. [s]"""
        difference = (wall - self.wall) - (monotonic - self.monotonic)
        self.wall, self.monotonic = wall, monotonic
        return difference if abs(difference) > self.tolerance else 0.0


def local_zone() -> str:
    """Return the name of this machine's time zone; UTC where it cannot be told."""
    here = datetime.now().astimezone()
    name = getattr(here.tzinfo, "key", None)
    return name if isinstance(name, str) else _zone_of_machine()


def _zone_of_machine() -> str:
    for source in (Path("/etc/timezone"), Path("/etc/localtime")):
        try:
            if source.is_symlink():
                name = str(source.resolve()).split("/zoneinfo/", 1)[1]
            else:
                name = source.read_text("ascii").strip()
            ZoneInfo(name)
        except (OSError, IndexError, ValueError, UnicodeDecodeError, ZoneInfoNotFoundError):
            continue
        return name
    return "UTC"


def people(when: float, zone: str) -> str:
    """Return a time for people, in a zone, with its offset."""
    return datetime.fromtimestamp(when, _zone(zone)).isoformat(sep=" ", timespec="seconds")
