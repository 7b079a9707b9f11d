"""The one door: captures and choices in, a complete result out. It raises nothing on bad data."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from acquire.analysis import bracket, budget, corrections, limits
from acquire.analysis.alignment import Alignment, align
from acquire.analysis.bands import Band, coverage
from acquire.analysis.case import Case, solve
from acquire.analysis.corrections import CORRECTIONS, Pair
from acquire.analysis.evidence import Evidence
from acquire.analysis.inputs import Capture, Choices, Floats
from acquire.analysis.measures import MEASURES, Measure, record_levels
from acquire.analysis.results import (
    Attenuation,
    ConditionResult,
    Drift,
    Level,
    MethodResult,
    Result,
)
from acquire.analysis.shots import Shot, pool, prepare
from acquire.analysis.transfer import known_band

MONITOR = 0.5
"""A trigger quantity whose floor has this part of its reference's RMS watches the source. [1]"""


def evaluate(captures: Sequence[Capture], choices: Choices) -> Result:
    """Compute the attenuation of every target, quantity and measure.

    Parameters
    ----------
    captures : all of one run, in any order; those of role ``open_circuit`` are left aside.
    choices : the recipe's analysis choices; a measure that is not in `MEASURES` gives invalid
        results.

    Returns
    -------
    One `ConditionResult` for each target condition, quantity and measure. What cannot be
    computed is ``invalid`` with the reason, never an exception.
    """
    delays, remarks = _delays(captures, choices)
    results: list[ConditionResult] = []
    drifts: list[Drift] = []
    for quantity in dict.fromkeys(c.quantity for c in captures):
        own = [c for c in captures if c.quantity == quantity]
        if quantity == choices.trigger_quantity and _is_monitor(own):
            remarks.append(
                f"{quantity} shows the event in the floor shots too: it served to trigger and to "
                "align, and has no attenuation of its own"
            )
            continue
        found, drift = _Quantity.of(own, choices, delays).evaluate()
        results += found
        drifts += drift
    verdicts = tuple(limits.judge(limit, results) for limit in choices.limits)
    return Result(
        results=tuple(results),
        limits=verdicts,
        verdict=limits.overall(verdicts),
        drift=tuple(drifts),
        remarks=tuple(remarks),
    )


def _delays(captures: Sequence[Capture], choices: Choices) -> tuple[dict[str, Floats], list[str]]:
    """Return shot -> delays of its records, from the trigger quantity. [sample]"""
    if not choices.align or choices.trigger_quantity is None:
        return {}, []
    triggers = sorted(
        (c for c in captures if c.quantity == choices.trigger_quantity),
        key=lambda c: (c.role != "reference", c.order),
    )
    template: Floats | None = None
    found: dict[str, Alignment] = {}
    for capture in triggers:
        found[capture.shot] = align(capture, template)
        template = found[capture.shot].template if template is None else template
    used = [a for a in found.values() if a.used]
    if not used:
        return {}, []
    return (
        {shot: a.delays for shot, a in found.items() if a.used},
        [
            f"records of {len(used)} of {len(found)} shots were aligned on "
            f"{choices.trigger_quantity}: {_moved(used)}"
        ],
    )


def _moved(used: Sequence[Alignment]) -> str:
    """Say how far records were moved: within their shots, and whole shots."""
    jitter = max(a.jitter for a in used)
    apart = max(abs(float(a.delays.mean())) for a in used)
    texts = [f"whole shots lay up to {apart:.2g} samples from the first"] if apart else []
    if jitter:
        texts.insert(0, f"within a shot they scattered by {jitter:.2g} samples or less")
    return ", ".join(texts)


def _is_monitor(captures: Sequence[Capture]) -> bool:
    """Return whether the floor shots of a quantity are as strong as its reference shots."""
    strongest = {
        role: max(
            (float(record_levels(c, MEASURES["rms"]).mean()) for c in captures if c.role == role),
            default=0.0,
        )
        for role in ("reference", "floor")
    }
    return strongest["floor"] > MONITOR * strongest["reference"]


@dataclass(frozen=True, slots=True, eq=False)
class _Quantity:
    """The captures of one quantity, and the shots prepared from them."""

    captures: tuple[Capture, ...]
    choices: Choices
    shots: Mapping[str, Shot]
    problems: Mapping[str, str]
    pairs: dict[tuple[str, ...], Pair] = field(default_factory=dict)
    evidence: Evidence = field(default_factory=Evidence)

    @classmethod
    def of(
        cls, captures: Iterable[Capture], choices: Choices, delays: Mapping[str, Floats]
    ) -> _Quantity:
        used = tuple(
            sorted((c for c in captures if c.role != "open_circuit"), key=lambda c: c.order)
        )
        problems = {c.shot: reason for c in used if (reason := unusable(c))}
        shots = {}
        for capture in used:
            if capture.shot not in problems:
                names = [m for m in choices.measures if _fits(m, capture) is None]
                shots[capture.shot] = prepare(capture, names, delays.get(capture.shot))
        return cls(used, choices, shots, problems)

    def evaluate(self) -> tuple[list[ConditionResult], list[Drift]]:
        results = []
        drifts = []
        targets = [c for c in self.captures if c.role == "target"]
        for name in self.choices.measures:
            drifts += self._drift(name)
            results += [
                self._result(condition, name)
                for condition in dict.fromkeys(c.condition for c in targets)
            ]
        return results, drifts

    def _result(self, condition: str, name: str) -> ConditionResult:
        targets = [c for c in self.captures if c.role == "target" and c.condition == condition]
        references = self._references(float(np.mean([c.order for c in targets])))
        reason = self._reason(targets, references, name)
        drift = next(iter(self._drift(name)), None)
        if reason is None and drift is not None and not drift.within_allowance:
            reason = drift.remark
        if reason is not None:
            return invalid(condition, targets[0], name, self.choices, reason)
        measure = MEASURES[name]
        same = [c for c in targets if _same_setting(c, targets[-1])]
        remarks = _remarks(measure, same, targets, references)
        times = moments([*same, *references])
        shares = bracket.weights(times[len(same) :], float(np.mean(times[: len(same)])))
        return solve(
            Case(
                condition,
                self._pair(same, measure),
                tuple(self._pair([c], measure) for c in references),
                tuple(shares),
                self.choices,
                remarks,
                self.evidence,
            )
        )

    def _references(self, order: float) -> list[Capture]:
        references = [c for c in self.captures if c.role == "reference"]
        chosen = bracket.bracketing([c.order for c in references], order)
        return [references[i] for i in chosen]

    def _reason(
        self, targets: Sequence[Capture], references: Sequence[Capture], name: str
    ) -> str | None:
        """Return why no number can be had, or None."""
        if name not in MEASURES:
            return f"unknown measure {name}; known are {', '.join(MEASURES)}"
        if not references:
            return "the run has no reference shot of this quantity"
        for capture in (*targets, *references):
            if capture.shot in self.problems:
                return f"{capture.role} shot {capture.shot}: {self.problems[capture.shot]}"
            floor = self._floor(capture)
            if isinstance(floor, str):
                return floor
            if (gap := _fits(name, capture)) is not None:
                return gap
        return None

    def _floor(self, capture: Capture) -> Shot | str:
        """Return all floor records at the capture's range as one, or why there are none."""
        floors = [c for c in self.captures if c.role == "floor"]
        matched = [c for c in floors if _same_range(c, capture)]
        if not matched:
            has = ", ".join(f"{r:g} V" for r in sorted({c.vertical_range for c in floors}))
            return (
                f"no floor shot at the vertical range of {capture.vertical_range:g} V that "
                f"{capture.shot} used (floors at: {has or 'none'})"
            )
        usable = [c for c in matched if c.shot in self.shots]
        if not usable:
            return f"floor shot {matched[0].shot}: {self.problems[matched[0].shot]}"
        same = [c for c in usable if _same_setting(c, capture)]
        if not same:
            return (
                f"floor shot {usable[0].shot} has another time axis than {capture.shot}: "
                f"{usable[0].codes.shape[1]} samples of {usable[0].step:g} s against "
                f"{capture.codes.shape[1]} of {capture.step:g} s"
            )
        return pool([self.shots[c.shot] for c in same])

    def _pair(self, captures: Sequence[Capture], measure: Measure) -> Pair:
        """Return the pooled captures of one condition at one range with their floor."""
        key = (*(c.shot for c in captures), measure.name)
        if key not in self.pairs:
            floor = self._floor(captures[-1])
            assert isinstance(floor, Shot)
            shots = [self.shots[c.shot] for c in captures]
            members = tuple(shot.levels[measure.name] for shot in shots)
            self.pairs[key] = Pair(pool(shots), floor, measure, members)
        return self.pairs[key]

    def _drift(self, name: str) -> list[Drift]:
        references = [c for c in self.captures if c.role == "reference"]
        if len(references) < 2:
            return []
        ends = [references[0], references[-1]]
        quantity = ends[0].quantity
        if self._reason([], ends, name) is not None:
            return [Drift(quantity, name, None, True, "drift not known: a reference is unusable")]
        estimates = [
            corrections.estimate(self._pair([c], MEASURES[name]), "coherent") for c in ends
        ]
        factor = budget.two_sided(self.choices.coverage, min(e.freedom for e in estimates))
        db, spread = bracket.drift_db(estimates[0], estimates[1], factor)
        if db is None:
            return [Drift(quantity, name, None, True, "drift is not known: no reference level")]
        allowance = self.choices.drift_allowance
        within = abs(db) - spread <= allowance
        said = f"the reference changed by {db:+.2f} dB (±{spread:.2f} dB) from opening to closing"
        if not within:
            said += f", more than the allowance of {allowance:g} dB"
        return [Drift(quantity, name, db, within, said)]


def unusable(capture: Capture) -> str | None:
    """Return why a capture cannot be used, or None."""
    if capture.faults:
        return "; ".join(capture.faults)
    if capture.clipped:
        return f"{capture.clipped} samples are clipped at the range of {capture.vertical_range:g} V"
    if capture.codes.ndim != 2 or capture.codes.shape[0] < 2:
        return "fewer than 2 repeats: repeatability is not known"
    if capture.codes.shape[1] < 8:
        return "fewer than 8 samples in a record"
    return None


def moments(captures: Sequence[Capture]) -> list[float]:
    """Return when each capture was taken: mean trigger times where all are known, else orders."""
    times = [
        float(c.trigger_time.mean()) if c.trigger_time.size else float("nan") for c in captures
    ]
    orders = [float(c.order) for c in captures]
    by_order = np.array(times)[np.argsort(orders, kind="stable")]
    if np.all(np.isfinite(by_order)) and np.all(np.diff(by_order) > 0):
        return times
    return orders


def _band_limits(capture: Capture) -> tuple[float, float] | None:
    return known_band(capture.transducer) if capture.transducer.table is not None else None


def _fits(name: str, capture: Capture) -> str | None:
    """Return why a measure cannot be taken from a record, or None."""
    measure = MEASURES.get(name)
    if measure is None:
        return f"unknown measure {name}"
    if measure.band is None:
        return None
    found = coverage(
        Band(name[-1].upper(), *measure.band, 0.0),
        capture.step,
        capture.codes.shape[1],
        _band_limits(capture),
    )
    return found.remark if found.state == "none" else None


def _same_range(one: Capture, other: Capture) -> bool:
    return bool(np.isclose(one.vertical_range, other.vertical_range, rtol=1e-6, atol=0))


def _same_setting(one: Capture, other: Capture) -> bool:
    """Return whether two captures have the same time axis and vertical range."""
    return (
        one.codes.shape[1] == other.codes.shape[1]
        and bool(np.isclose(one.step, other.step, rtol=1e-9, atol=0))
        and _same_range(one, other)
    )


def _remarks(
    measure: Measure,
    used: Sequence[Capture],
    targets: Sequence[Capture],
    references: Sequence[Capture],
) -> tuple[str, ...]:
    """Return what a reader must know of a result before its numbers."""
    remarks = []
    if len(references) < 2:
        remarks.append("no reference on both sides of the target: drift of the source is left out")
    if len(used) < len(targets):
        left = ", ".join(c.shot for c in targets if c not in used)
        remarks.append(f"not used, because taken at another range or time axis: {left}")
    if measure.band is not None:
        band = Band(measure.name[-1].upper(), *measure.band, 0.0)
        last = used[-1]
        found = coverage(band, last.step, last.codes.shape[1], _band_limits(last))
        remarks += [found.remark] if found.remark else []
    return tuple(remarks)


def invalid(
    condition: str, target: Capture, measure: str, choices: Choices, reason: str
) -> ConditionResult:
    """Return a result without numbers, and why."""
    unit = target.transducer.unit
    method = choices.correction if choices.correction != "auto" else "none"
    nothing = Level(float("nan"), unit, None)

    def attenuation(name: str) -> Attenuation:
        key = next(k for k in CORRECTIONS if k == name)
        return Attenuation(None, None, (None, None), choices.coverage, key, "invalid", reason)

    return ConditionResult(
        condition=condition,
        quantity=target.quantity,
        measure=measure,
        reference=nothing,
        observed=nothing,
        floor=nothing,
        corrected=nothing,
        attenuation=attenuation(method),
        by_method={
            name: MethodResult(nothing, attenuation(name), (None, None)) for name in CORRECTIONS
        },
        budget=(),
        why_method="no method was applied",
    )
