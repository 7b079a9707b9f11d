"""Carry out the steps of a plan, leaving out what is stored already.

The rules of this file:

* What is stored decides what is left to do. A first run and a resumed one take the same way through
  the same steps; the first just finds nothing stored.
* A condition is set only where a shot that needs it is missing. What stood before a break is not
  trusted: the first missing shot has its condition set anew.
* Errors of the relay unit and the ohmmeter are tried again as the bench allows, after the link was
  reopened and the state read anew. What remains is an ``InstrumentFault``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar

from acquire.analysis.inputs import Role
from acquire.errors import InstrumentFault
from acquire.recipe import LoadedRecipe
from acquire.run import continuity, floors
from acquire.run.capture import Capturer, Shot, ShotSpec
from acquire.run.cautions import at_change
from acquire.run.events import Emitter
from acquire.run.fixture import ConditionSet, Fixture, GateRequest, RelayFixture
from acquire.run.instruments import Instruments
from acquire.run.levels import LevelSeen, suspicions
from acquire.run.plan import Plan, Step
from acquire.run.rangefinder import find_ranges
from acquire.runfile.records import ShotEntry
from acquire.runfile.spool import Spool
from drivers.errors import DriverError, RequestError
from drivers.ohmmeter import Ohmmeter
from drivers.switch import Switch

T = TypeVar("T")


@dataclass(slots=True)
class Execution:
    """One way through a plan.

    Attributes
    ----------
    recipe, plan, instruments, fixture, capturer, spool, events : of the run.
    seen : levels of the shots so far, also of those stored before a break.
    condition : what stands now; None where it is unknown.
    """

    recipe: LoadedRecipe
    plan: Plan
    instruments: Instruments
    fixture: Fixture
    capturer: Capturer
    spool: Spool
    events: Emitter
    seen: list[LevelSeen] = field(default_factory=list)
    condition: str | None = None
    _step: int = 0
    _hands: int = 0

    def __post_init__(self) -> None:
        self.capturer.seconds_left = lambda: self.plan.seconds_left(self._step)

    def carry_out(self) -> None:
        """Take every shot that is missing.

        Raises
        ------
        InstrumentFault, ContinuityError, StorageError, Interrupted
            What was stored before stays stored.
        """
        handlers: dict[str, Callable[[int, Step], None]] = {
            "condition": self._set_condition,
            "continuity": self._check_continuity,
            "ranging": self._find_ranges,
            "capture": self._capture,
            "floor": self._floor,
        }
        for index, step in enumerate(self.plan.steps):
            self._step = index
            self.capturer.acquirer.require_going()
            self._tell_clock()
            if step.kind not in handlers or not self._is_needed(index):
                continue
            self.tell_step(index)
            handlers[step.kind](index, step)

    def tell_step(self, index: int) -> None:
        """Say which step begins."""
        step = self.plan.steps[index]
        self.events.emit(
            "step_started", step=index + 1, steps=len(self.plan.steps), kind=step.kind,
            text=step.text, seconds_left=self.plan.seconds_left(index),
        )  # fmt: skip

    def _tell_clock(self) -> None:
        jumped = self.capturer.acquirer.clock.jump()
        if jumped is not None:
            self.events.emit("clock_jumped", seconds=jumped)

    # -- what is left to do ----------------------------------------------------------------------
    def _is_needed(self, index: int, *, floors_too: bool = False) -> bool:
        """Whether a step still serves a shot that is not stored.

        ``floors_too`` takes a floor visit ahead for needed: its ranges are not known yet.
        """
        step = self.plan.steps[index]
        if step.kind == "capture":
            return not self._stored(index)
        if step.kind == "floor":
            return True  # says itself that there is nothing to do
        later = range(index + 1, len(self.plan.steps))
        if step.kind == "ranging":
            return not self._stored(index + 1)
        for following in later:
            kind = self.plan.steps[following].kind
            if kind == "condition":
                break
            if kind == "capture" and not self._stored(following):
                return True
            if kind == "floor" and (floors_too or self._floor_sets(following)):
                return True
        return False

    def _stored(self, index: int) -> list[ShotEntry]:
        return [entry for entry in self.spool.shots() if entry.step == index]

    def _floor_sets(self, index: int) -> list[dict[str, float]]:
        """Return the ranges of the floor shots that a visit still lacks. [V]"""
        sets = floors.sets_of_ranges(
            self.plan.quantities, self.spool.shots(), before_step=index,
            only_missing=self.plan.steps[index].only_missing,
        )  # fmt: skip
        return floors.uncovered(sets, self._stored(index))

    # -- conditions ------------------------------------------------------------------------------
    def _set_condition(self, index: int, step: Step) -> None:
        assert step.condition is not None
        recipe = self.recipe.recipe
        wanted = recipe.conditions[step.condition]
        cautions = at_change(recipe.conductor, wanted, step.by_hand)
        for text in () if step.by_hand else cautions:  # to a person the gate shows them
            self.events.emit("caution", text=text)
        self._hands += step.by_hand
        request = GateRequest(
            number=self._hands, of=self._hands_needed(index), condition=step.condition,
            instruction=f"Set the condition {step.condition}: {wanted.description}",
            cautions=cautions, previous=self.condition,
        )  # fmt: skip
        if step.by_hand:
            self.events.emit(
                "gate_waiting", condition=request.condition, instruction=request.instruction,
                cautions=cautions, number=request.number, of=request.of,
            )  # fmt: skip
        self.condition = None
        found = self._with_switch(f"setting {step.condition}", lambda: self.fixture.set(request))
        self.condition = found.condition
        self._tell_condition(found)

    def _hands_needed(self, index: int) -> int:
        ahead = sum(
            step.by_hand and self._is_needed(number, floors_too=True)
            for number, step in enumerate(self.plan.steps)
            if number >= index
        )
        return self._hands - 1 + ahead

    def _tell_condition(self, found: ConditionSet) -> None:
        if found.at is not None:
            self.events.emit("gate_confirmed", condition=found.condition, by=found.by, at=found.at)
        self.events.emit(
            "condition_set", condition=found.condition, by=found.by, closed=found.closed
        )

    def _check_continuity(self, _index: int, step: Step) -> None:
        assert step.condition is not None
        assert step.limit is not None
        continuity.require(
            self._measure_continuity(step.condition, step.limit), self.recipe.recipe.conductor.name
        )

    def _measure_continuity(self, condition: str, limit: float) -> continuity.Continuity:
        ohmmeter = self.instruments.ohmmeter
        if ohmmeter is None:
            raise InstrumentFault("the bench has no ohmmeter to check the conductor with")
        found = self._retrying(
            ohmmeter, "ohmmeter", f"checking the continuity of {condition}",
            lambda: continuity.measure(ohmmeter, condition, limit),
        )  # fmt: skip
        self.events.emit(
            "continuity_measured", condition=condition, ohms=found.ohms, limit=limit,
            passed=found.passed,
        )  # fmt: skip
        return found

    def park(self) -> None:
        """Leave a state behind that can be left; raises nothing but what ends the process."""
        try:
            before = self._closed_now()
            found = self._with_switch("parking the fixture", self.fixture.park)
            if found is None:
                return
            verified = self._holds(found.condition)
            if not verified:
                self._with_switch("closing the path of before", lambda: self._close_again(before))
                raise InstrumentFault(
                    f"with the relays in {found.condition} the conductor measures as open; the "
                    "channels that were closed before are closed again"
                )
        except InstrumentFault as error:
            self.events.emit(
                "fixture_unknown",
                error=f"{error}. The state of the conductor is unknown: treat its protective path "
                "as open until somebody who may has checked it",
            )
            return
        self.condition = found.condition
        self.events.emit("fixture_parked", condition=found.condition, verified=True)

    def _closed_now(self) -> tuple[int, ...]:
        """Return the relays that are closed; none where a person is the fixture."""
        switch, fixture = self.instruments.switch, self.fixture
        if switch is None or not isinstance(fixture, RelayFixture):
            return ()
        return self._with_switch(
            "reading the relays", lambda: tuple(sorted(switch.closed_channels(fixture.channels)))
        )

    def _close_again(self, channels: tuple[int, ...]) -> None:
        if self.instruments.switch is not None and channels:
            self.instruments.switch.close_channels(channels)

    def _holds(self, condition: str) -> bool:
        """Whether a protective conductor conducts; there is nothing to hold for any other."""
        conductor = self.recipe.recipe.conductor
        if not conductor.protective or self.instruments.ohmmeter is None:
            return True
        return self._measure_continuity(condition, conductor.continuity_limit).passed

    def _with_switch(self, doing: str, action: Callable[[], T]) -> T:
        if self.instruments.switch is None:
            return action()
        return self._retrying(self.instruments.switch, "switch", doing, action)

    def _retrying(
        self, driver: Switch | Ohmmeter, role: str, doing: str, action: Callable[[], T]
    ) -> T:
        """Carry out something; where the link fails, reopen it and do it again, boundedly."""
        tries = self.capturer.acquirer.retry.shot_tries
        for attempt in range(1, tries + 1):
            try:
                return action()
            except DriverError as error:
                self.events.emit(
                    "instrument_failed", instrument=role, error=str(error), doing=doing
                )
                if attempt == tries or isinstance(error, RequestError):
                    raise InstrumentFault(f"{error} (while {doing})") from error
                self._reopen(driver, role, doing, attempt)
        raise AssertionError("there is at least one try")

    def _reopen(self, driver: Switch | Ohmmeter, role: str, doing: str, attempt: int) -> None:
        try:
            driver.recover()
        except DriverError as error:
            raise InstrumentFault(f"{error} (while {doing})") from error
        self.events.emit("link_recovered", instrument=role, attempt=attempt, changed={})

    # -- shots -----------------------------------------------------------------------------------
    def _find_ranges(self, index: int, step: Step) -> None:
        opening = next((e for e in self.spool.shots() if e.role == "reference"), None)
        start = dict(opening.ranges) if opening is not None else None
        if step.reuse_ranges and start is not None:
            self.capturer.acquirer.retrying(
                step.text, lambda: self.capturer.acquirer.setup.set_ranges(start)
            )
            return
        find_ranges(self.capturer.acquirer, f"finding the ranges of step {index + 1}", start)

    def _capture(self, index: int, step: Step) -> None:
        self._take(index, step, self.capturer.acquirer.setup.full_scales())

    def _floor(self, index: int, step: Step) -> None:
        sets = self._floor_sets(index)
        if not sets:
            self.events.emit("floor_skipped", reason="every range has its floor already")
        for ranges in sets:
            self._take(index, step, ranges)

    def _take(self, index: int, step: Step, ranges: dict[str, float]) -> None:
        assert step.role is not None
        assert step.condition is not None
        order = 1 + max((entry.order for entry in self.spool.shots()), default=-1)
        shot = self.capturer.take(
            ShotSpec(
                name=shot_name(order, step.role, step.condition),
                order=order,
                step=index,
                role=step.role,
                condition=step.condition,
                repeats=step.repeats,
                ranges=ranges,
            )
        )
        self._look_at_level(shot)

    def _look_at_level(self, shot: Shot) -> None:
        recipe, entry = self.recipe.recipe, shot.entry
        level = LevelSeen(entry.name, entry.role, entry.condition, dict(shot.peaks))
        currents = [
            name for name, q in recipe.quantities.items() if q.kind == "current" and q.evaluated
        ]
        for found in suspicions(level, self.seen, currents, recipe.analysis.drift_allowance):
            self.events.emit(
                "level_suspect", shot=found.shot, against=found.against, quantity=found.quantity,
                db=found.db, text=found.text,
            )  # fmt: skip
        self.seen.append(level)


def shot_name(order: int, role: Role, condition: str) -> str:
    """Return the shot's name in the run file: ``NN_role_condition``."""
    return f"{order + 1:02d}_{role}_{condition}"
