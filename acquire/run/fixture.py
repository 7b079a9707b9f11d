"""Whatever puts the conductor into a condition: a relay unit, or a person.

The rules of this file:

* For a protective conductor the new path is closed, and read back as closed, before the old one is
  opened. For any other conductor the old path is opened first, so that two candidates are never in
  parallel (common practice, no source).
* A relay is never believed because it was told: its state is read back after every step. What a
  readback is worth depends on the unit (``Switch.readback``), so the levels are looked at too.
* A person's hand is never assumed: without a gate to ask at, an operator fixture is refused.
* However a run ends, a relay fixture goes back to the bare condition, make before break: the
  protective path is then closed through nothing but the conductor itself.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from acquire.bench import schema as relays
from acquire.bench.schema import Bench
from acquire.errors import InstrumentFault, RefusedError
from acquire.recipe.schema import Recipe
from drivers.switch import Switch


@dataclass(frozen=True, slots=True)
class GateRequest:
    """What is asked of a person.

    Attributes
    ----------
    number, of : which hand this is, from 1, and how many the plan needs.
    condition : name of the condition to set.
    instruction : what to do, one sentence.
    cautions : to be shown with it.
    previous : the condition that stands now, None where it is unknown.
    """

    number: int
    of: int
    condition: str
    instruction: str
    cautions: tuple[str, ...]
    previous: str | None


@dataclass(frozen=True, slots=True)
class Confirmation:
    """Who says that the condition is set, and when. [UTC]"""

    by: str
    at: datetime


Gate = Callable[[GateRequest], Confirmation]
"""Waits for a person. To end without one (a stop, a time-out), it raises ``Interrupted``."""


@dataclass(frozen=True, slots=True)
class ConditionSet:
    """A condition that stands, by whom, and what was read back (relay channels)."""

    condition: str
    by: str
    closed: tuple[int, ...] = ()
    at: datetime | None = None


class Fixture(Protocol):
    """Puts the conductor into a condition."""

    def set(self, request: GateRequest) -> ConditionSet:
        """Set a condition; return only when it stands."""

    def park(self) -> ConditionSet | None:
        """Leave a state behind that can be left; None where only a person can do that."""


@dataclass(slots=True)
class OperatorFixture:
    """A person sets each condition and confirms it at the gate."""

    gate: Gate

    def set(self, request: GateRequest) -> ConditionSet:
        """Ask, and wait."""
        answer = self.gate(request)
        return ConditionSet(request.condition, answer.by, at=answer.at)

    def park(self) -> ConditionSet | None:
        """Do nothing: nobody may be there, and nobody is assumed."""
        return None


@dataclass(slots=True)
class RelayFixture:
    """A relay unit sets each condition.

    Attributes
    ----------
    switch : the unit.
    conditions : name -> channels that are closed in it; every other channel named here is open.
    protective : whether the conductor protects people.
    parked : the condition to leave behind.
    settling_time : of the contacts. [s]
    """

    switch: Switch
    conditions: Mapping[str, tuple[int, ...]]
    protective: bool
    parked: str
    settling_time: float

    def set(self, request: GateRequest) -> ConditionSet:
        """Switch, and read back."""
        return self._go(request.condition)

    def park(self) -> ConditionSet | None:
        """Go to the bare condition."""
        return self._go(self.parked)

    @property
    def channels(self) -> tuple[int, ...]:
        """Every channel of every condition."""
        return tuple(sorted({c for channels in self.conditions.values() for c in channels}))

    def _go(self, name: str) -> ConditionSet:
        wanted = frozenset(self.conditions[name])
        now = self.switch.closed_channels(self.channels)
        to_close, to_open = sorted(wanted - now), sorted(now - wanted)
        if self.protective:
            if not wanted:
                raise InstrumentFault(
                    f"condition {name} closes no channel, so it would open a protective conductor; "
                    "name in the bench profile the channels that carry it"
                )
            self._close(to_close, name, wanted)
            self._open(to_open)
        else:
            self._open(to_open)
            self._close(to_close, name, wanted)
        self._expect(name, wanted)
        return ConditionSet(name, "relay", tuple(sorted(wanted)))

    def _close(self, channels: list[int], name: str, wanted: frozenset[int]) -> None:
        if not channels:
            return
        self.switch.close_channels(channels)
        time.sleep(self.settling_time)
        missing = wanted - self.switch.closed_channels(self.channels)
        if missing:
            raise InstrumentFault(
                f"the relay unit was told to close {_channels(channels)} for the condition {name}, "
                f"but reads back {_channels(missing)} as open; nothing was opened after that. "
                "Check the unit and its wiring"
            )

    def _open(self, channels: list[int]) -> None:
        if channels:
            self.switch.open_channels(channels)
            time.sleep(self.settling_time)

    def _expect(self, name: str, wanted: frozenset[int]) -> None:
        found = self.switch.closed_channels(self.channels)
        if found != wanted:
            raise InstrumentFault(
                f"the relay unit reads back {_channels(found)} as closed in the condition {name}; "
                f"expected {_channels(wanted)}. Check the unit and its wiring"
            )


def relay_fixture(recipe: Recipe, bench: Bench, switch: Switch) -> RelayFixture:
    """Return the fixture of a bench with a relay unit; it is parked in the bare condition."""
    fixture = bench.fixture
    assert isinstance(fixture, relays.RelayFixture)
    opening = next(shot.condition for shot in recipe.shots if shot.role == "reference")
    bare = (name for name, condition in recipe.conditions.items() if condition.kind == "bare")
    return RelayFixture(
        switch=switch,
        conditions=fixture.conditions,
        protective=recipe.conductor.protective,
        parked=next((name for name in bare if name in fixture.conditions), opening),
        settling_time=fixture.settling_time,
    )


def check_possible(by_hand: bool, gate: Gate | None) -> None:
    """Refuse a run that needs a hand where nobody can be asked.

    Raises
    ------
    RefusedError
        Before anything was contacted.
    """
    if by_hand and gate is None:
        raise RefusedError(
            "this bench has an operator fixture, and there is no terminal to ask the operator on; "
            "nothing was contacted. Run it in a terminal, queue it with a daemon (which asks at a "
            "gate), or use a bench with a relay fixture"
        )


def _channels(channels: frozenset[int] | set[int] | list[int]) -> str:
    return "channel " + ", ".join(map(str, sorted(channels))) if channels else "no channel"
