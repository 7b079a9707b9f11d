"""Take a shot, and again where it fails, until it is durable.

The rules of this file:

* A record is judged before it is stored, and a part of a shot is never stored: a shot is committed
  whole or taken again.
* Records are never chosen by their size. A clipped record therefore condemns its shot, not just
  itself: dropping only the largest events would make the source look smaller than it is.
* A reference or target that clips is taken again one range higher; a floor is not, because it
  belongs to the range it was asked for. What clips in every try is stored, and says so: the result
  is then invalid for a stated reason, and the rest of the run is not lost.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from acquire.analysis.inputs import Role
from acquire.errors import InstrumentFault
from acquire.quantities import format_quantity
from acquire.run.acquirer import Acquirer, Record, Retake
from acquire.run.checks import ShotChecks, TriggerCheck
from acquire.run.setup import ScopeSetup, trigger_settings
from acquire.runfile.records import ShotEntry, ShotHeader, ShotQuality
from acquire.runfile.spool import Spool


class Clipped(Retake):
    """The shot left its range."""

    def __init__(self, quantities: list[str]) -> None:
        super().__init__("clipped: " + ", ".join(quantities))
        self.quantities = quantities


@dataclass(frozen=True, slots=True)
class ShotSpec:
    """What a plan step asks for. ``ranges`` [V] are selected before the first record."""

    name: str
    order: int
    step: int
    role: Role
    condition: str
    repeats: int
    ranges: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Shot:
    """A stored shot, and the mean peak of each quantity in it. [V]"""

    entry: ShotEntry
    peaks: Mapping[str, float]


@dataclass(slots=True)
class Capturer:
    """Takes shots into one spool.

    Attributes
    ----------
    acquirer : with a configured scope.
    spool : of the run.
    seconds_left : asked for the estimate that goes with each record. [s]
    floor_peaks : of the floors so far, by (quantity, range); for the live margin. [V]
    """

    acquirer: Acquirer
    spool: Spool
    seconds_left: Callable[[], float] = lambda: 0.0
    floor_peaks: dict[tuple[str, float], float] = field(default_factory=dict)

    def take(self, spec: ShotSpec) -> Shot:
        """Take one shot.

        Raises
        ------
        InstrumentFault
            If it failed as often as the bench allows tries (for other reasons than clipping).
        """
        tries = self.acquirer.retry.shot_tries
        ranges = dict(spec.ranges)
        failures = clips = 0
        while True:
            attempt = failures + clips + 1
            try:
                return self._try(spec, ranges, attempt, tolerate=clips >= tries - 1)
            except Clipped as clipped:
                clips += 1
                if spec.role != "floor":
                    ranges.update(_larger(self.acquirer.setup, clipped.quantities))
                self._tell_retake(spec, attempt, clipped)
            except Retake as retake:
                failures += 1
                self._tell_retake(spec, attempt, retake)
                if failures >= tries:
                    raise InstrumentFault(
                        f"shot {spec.name} failed {failures} times, the last time because: "
                        f"{retake}. What was taken before is kept"
                    ) from retake

    def _try(
        self, spec: ShotSpec, ranges: Mapping[str, float], attempt: int, *, tolerate: bool
    ) -> Shot:
        return self.acquirer.once(
            f"shot {spec.name}", lambda: self._attempt(spec, ranges, attempt, tolerate)
        )

    def _attempt(
        self, spec: ShotSpec, ranges: Mapping[str, float], attempt: int, tolerate: bool
    ) -> Shot:
        setup, clock = self.acquirer.setup, self.acquirer.clock
        began = clock.since_zero()
        setup.set_ranges(ranges)
        setup.set_segments(spec.repeats)
        checks = ShotChecks(setup.full_scales(), _trigger_check(setup))
        with self.spool.begin_shot(self._header(spec, attempt)) as writer:
            self.acquirer.events.emit(
                "shot_started", shot=spec.name, role=spec.role, condition=spec.condition,
                repeats=spec.repeats, ranges=checks.ranges, attempt=attempt,
            )  # fmt: skip
            records = self.acquirer.records(spec.repeats, f"shot {spec.name}")
            for repeat, record in enumerate(records):
                _judge(checks, record, tolerate)
                for quantity, trace in record.traces.items():
                    writer.append(quantity, repeat, trace, record.trigger_time)
                self._tell_record(spec, repeat, checks, checks.accept(record.traces))
            quality = self._quality(spec, checks)
            with self.acquirer.stop.shielded():
                entry = writer.commit(quality)
        return self._tell_stored(entry, checks, clock.since_zero() - began)

    def _header(self, spec: ShotSpec, attempt: int) -> ShotHeader:
        setup = self.acquirer.setup
        assert setup.acquisition is not None
        return ShotHeader(
            name=spec.name,
            order=spec.order,
            step=spec.step,
            role=spec.role,
            condition=spec.condition,
            repeats=spec.repeats,
            record_length=setup.acquisition.record_length,
            started=self.acquirer.clock.utc(),
            attempt=attempt,
            channels=setup.records(),
            settings=setup.snapshot(),
        )

    def _quality(self, spec: ShotSpec, checks: ShotChecks) -> ShotQuality:
        clipped = {q: n for q, n in checks.clipped.items() if n}
        faults = tuple(
            f"{quantity} clipped in every try ({self.acquirer.retry.shot_tries}), last at a range "
            f"of {format_quantity(checks.ranges[quantity], 'V')}"
            for quantity in clipped
        )
        return ShotQuality(clipped, checks.remarks(spec.role, spec.repeats), faults)

    # -- telling ---------------------------------------------------------------------------------
    def _tell_retake(self, spec: ShotSpec, attempt: int, why: Retake) -> None:
        self.acquirer.events.emit("shot_retaken", shot=spec.name, attempt=attempt, reason=str(why))

    def _tell_record(
        self, spec: ShotSpec, repeat: int, checks: ShotChecks, peaks: dict[str, float]
    ) -> None:
        margins = {q: self._margin(q, checks.ranges[q], peak) for q, peak in peaks.items()}
        self.acquirer.events.emit(
            "record_taken", shot=spec.name, repeat=repeat + 1, repeats=spec.repeats, peaks=peaks,
            floor_margin_db=margins, seconds_left=self.seconds_left(),
        )  # fmt: skip

    def _margin(self, quantity: str, scale: float, peak: float) -> float | None:
        floor = self.floor_peaks.get((quantity, scale))
        return 20 * math.log10(peak / floor) if floor and peak > 0 else None

    def _tell_stored(self, entry: ShotEntry, checks: ShotChecks, seconds: float) -> Shot:
        peaks = {q: sum(values) / len(values) for q, values in checks.peaks.items()}
        if entry.role == "floor":
            for quantity, peak in peaks.items():
                # a floor below half a code is one that this range cannot show
                least = abs(checks.first[quantity].gain) / 2
                self.floor_peaks[quantity, checks.ranges[quantity]] = max(peak, least)
        self.acquirer.events.emit(
            "shot_stored", shot=entry.name, role=entry.role, condition=entry.condition,
            ranges=checks.ranges, peaks=peaks, remarks=entry.quality.remarks,
            faults=entry.quality.faults, seconds=seconds,
        )  # fmt: skip
        return Shot(entry, peaks)


def _judge(checks: ShotChecks, record: Record, tolerate: bool) -> None:
    """Raise ``Retake`` where a record condemns its shot."""
    clipped = checks.clips(record.traces)
    if clipped and not tolerate:
        raise Clipped(clipped)
    fault = checks.fault(record.traces)
    if fault:
        raise Retake(fault)


def _larger(setup: ScopeSetup, quantities: list[str]) -> dict[str, float]:
    """Return the next larger range of each, where there is one. [V]"""
    found = {}
    for quantity in quantities:
        now = setup.channels[quantity].vertical_range
        above = [r for r in setup.ranges(quantity) if r > now * (1 + 1e-6)]
        found.update({quantity: above[0]} if above else {})
    return found


def _trigger_check(setup: ScopeSetup) -> TriggerCheck | None:
    source = setup.recipe.acquisition.trigger.source
    if source not in setup.bound:
        return None
    return TriggerCheck(source, trigger_settings(setup.recipe, setup.bound).level)
