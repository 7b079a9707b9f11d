"""One candidate, quantity and measure: from prepared shots to a result with its interval."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from acquire.analysis import budget
from acquire.analysis.bracket import Reference, between
from acquire.analysis.budget import DB, decibels
from acquire.analysis.corrections import CORRECTIONS, Pair
from acquire.analysis.estimates import Estimate
from acquire.analysis.evidence import choose, repetition
from acquire.analysis.inputs import Choices, Correction
from acquire.analysis.results import (
    Attenuation,
    BudgetLine,
    ConditionResult,
    Level,
    MethodResult,
    State,
)

TINY = float(np.finfo(float).tiny)


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """Everything that one result rests on.

    Attributes
    ----------
    condition : of the target.
    targets : one or more target shots of that condition with their floors.
    references : one or two reference shots around them, with their floors.
    shares : weight of each reference.
    choices : of the recipe.
    remarks : known before the numbers.
    """

    condition: str
    targets: tuple[Pair, ...]
    references: tuple[Pair, ...]
    shares: tuple[float, ...]
    choices: Choices
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """One correction's numbers, with what the report of the chosen one needs besides."""

    method: MethodResult
    reference: Level
    lines: tuple[BudgetLine, ...]
    corrected_interval: tuple[float | None, float | None]
    decision_threshold: float
    detection_limit: float


def solve(case: Case) -> ConditionResult:
    """Return the result of a case under every correction, and report the chosen one."""
    outcomes = {name: _outcome(case, name) for name in CORRECTIONS}
    chosen, why = _choice(case)
    outcome = outcomes[chosen]
    first = case.targets[0]
    return ConditionResult(
        condition=case.condition,
        quantity=first.shot.capture.quantity,
        measure=first.measure.name,
        reference=outcome.reference,
        observed=_seen_level(case.targets, "shot"),
        floor=_seen_level(case.targets, "floor"),
        corrected=outcome.method.corrected,
        attenuation=outcome.method.attenuation,
        by_method={name: outcome.method for name, outcome in outcomes.items()},
        budget=outcome.lines,
        why_method=why,
        remarks=case.remarks,
        corrected_interval=outcome.corrected_interval,
        decision_threshold=outcome.decision_threshold,
        detection_limit=outcome.detection_limit,
    )


def _choice(case: Case) -> tuple[Correction, str]:
    measure = case.targets[0].measure
    target = max(
        (repetition(p.shot, p.floor, measure) for p in case.targets), key=lambda r: r.excess
    )
    reference = max(
        (repetition(p.shot, p.floor, measure) for p in case.references), key=lambda r: r.excess
    )
    floor = repetition(case.targets[0].floor, None, measure)
    name, why = choose(target, reference, floor, measure)
    if case.choices.correction == "auto":
        return name, why
    asked = case.choices.correction
    if asked == name:
        return asked, f"as the recipe asks; the evidence agrees ({why})"
    return asked, f"as the recipe asks; the evidence would choose {why}"


def _outcome(case: Case, name: Correction) -> Outcome:
    correction = CORRECTIONS[name]
    coverage = case.choices.coverage
    single = budget.one_sided_factor(coverage, float("inf"))
    estimate = _average([correction.estimate(pair) for pair in case.targets])
    reference = between(
        case.references,
        [correction.estimate(pair) for pair in case.references],
        case.shares,
        single,
    )
    lines = _lines(case, name, estimate, reference)
    freedom = budget.effective_freedom(lines)
    two, one = (
        budget.coverage_factor(coverage, freedom),
        budget.one_sided_factor(coverage, freedom),
    )
    state, reason = _state(estimate, reference, one, two, case.choices.margin)
    attenuation = _attenuation(case, name, estimate, reference, lines, (two, one), (state, reason))
    unit = case.targets[0].shot.capture.transducer.unit
    scale = _scale_uncertainty(case.targets)
    spread = float(np.hypot(estimate.standard_uncertainty(), estimate.value * scale))
    corrected = Level(estimate.value, unit, spread)
    return Outcome(
        method=MethodResult(corrected, attenuation, _bounds(case, name, two)),
        reference=_reference_level(case, reference),
        lines=lines,
        corrected_interval=_level_interval(estimate, scale, state, two, one),
        decision_threshold=estimate.decision_threshold(one),
        detection_limit=estimate.detection_limit(one),
    )


def _average(estimates: Sequence[Estimate]) -> Estimate:
    """Return the mean of the estimates of several shots of one condition."""
    if len(estimates) == 1:
        return estimates[0]
    count = len(estimates)
    values = np.array([e.value for e in estimates])
    inner = float(np.mean([e.linear for e in estimates])) / count
    outer = float(values.var(ddof=1)) / count
    return replace(
        estimates[0],
        squared=float(np.mean([e.squared for e in estimates])),
        linear=max(inner, outer),
        quadratic=float(np.mean([e.quadratic for e in estimates])) / count,
        freedom=count - 1.0 if outer > inner else sum(e.freedom for e in estimates),
        seen=float(np.mean([e.seen for e in estimates])),
        floor=float(np.mean([e.floor for e in estimates])),
        slack=float(np.mean([e.slack for e in estimates])),
    )


def _state(
    estimate: Estimate, reference: Reference, one: float, two: float, margin: float
) -> tuple[State, str]:
    if not reference.detected or reference.value <= 0:
        return "invalid", "the reference is not distinguishable from its floor"
    if not estimate.detected(one):
        return (
            "floor-limited",
            f"the residual is not distinguishable from the floor: {estimate.value:.3g} against a "
            f"decision threshold of {estimate.decision_threshold(one):.3g}",
        )
    above = decibels(estimate.seen / max(estimate.floor, TINY))
    if above is not None and above < margin:
        return (
            "floor-limited",
            f"the target stands {above:.2g} dB above the floor, less than the margin of "
            f"{margin:g} dB",
        )
    if estimate.limits(two)[0] <= 0:
        return "floor-limited", "the interval of the residual reaches down to zero"
    return "resolved", "the residual stands clear of the floor"


def _attenuation(
    case: Case,
    name: Correction,
    estimate: Estimate,
    reference: Reference,
    lines: Sequence[BudgetLine],
    factors: tuple[float, float],
    state: tuple[State, str],
) -> Attenuation:
    coverage = case.choices.coverage
    if state[0] == "invalid":
        return Attenuation(None, None, (None, None), coverage, name, *state)
    other = budget.combined([line for line in lines if line.source not in REPEATABILITY])
    two, one = factors
    if state[0] == "floor-limited":
        _, high = estimate.limits(one)
        centre = decibels(reference.value / high)
        assert centre is not None
        below = _below(reference, one)
        low, _ = budget.interval(centre, (below, 0.0), (0.0, 0.0), one * other)
        return Attenuation(None, None, (low, None), coverage, name, *state)
    ratio = reference.value / estimate.value
    db = decibels(ratio)
    assert db is not None
    lowest, highest = estimate.limits(two)
    target = (
        DB * np.log(estimate.value / lowest),
        DB * np.log(highest / estimate.value),
    )
    above = DB * np.log1p(two * reference.uncertainty / reference.value)
    ends = budget.interval(db, (_below(reference, two), above), target, two * other)
    return Attenuation(ratio, db, ends, coverage, name, *state)


def _below(reference: Reference, k: float) -> float:
    """Return how far the reference may be below its value, at most 20 dB. [dB]"""
    return float(-DB * np.log(max(0.1, 1 - k * reference.uncertainty / reference.value)))


REPEATABILITY = ("repeatability of the target", "repeatability of the reference")
"""Lines that enter the interval through the limits of each level, not as a symmetric term."""


def _lines(
    case: Case, name: Correction, estimate: Estimate, reference: Reference
) -> tuple[BudgetLine, ...]:
    """Return the budget of the attenuation; relative to the upper limit where it is larger."""
    level = max(estimate.value or estimate.limits(1.0)[1], TINY)
    held = max(reference.value, reference.uncertainty, TINY)
    bare = replace(estimate, slack=0.0)
    pickup = _pickup_error(case) if name == "coherent" else 0.0
    extremes = float(np.sqrt(max(0.0, estimate.slack - pickup**2)))
    own = np.sqrt(np.mean([budget.quantisation(p.shot) ** 2 for p in case.targets]))
    factor = np.sqrt(2.0) if case.targets[0].measure.basis is None else 1.0
    share = float(np.hypot(own / level, reference.quantisation / held)) * factor

    def line(
        source: str, kind: Literal["A", "B"], relative: float, freedom: float = float("inf")
    ) -> BudgetLine:
        finite = float(freedom) if np.isfinite(freedom) else None
        return BudgetLine(source, kind, float(DB * relative), finite)

    return (
        line(REPEATABILITY[0], "A", bare.standard_uncertainty() / level, estimate.freedom),
        line(REPEATABILITY[1], "A", reference.uncertainty / held, reference.freedom),
        line("drift of the source", "B", reference.drift),
        line("vertical gain of the scope", "B", _gain(case, reference)),
        line("quantisation", "B", share),
        line("pickup repeatability", "B", pickup / level),
        line("choice of the extremes", "B", extremes / level),
        line("transfer impedance of the probe", "B", _probe(case)),
    )


def _gain(case: Case, reference: Reference) -> float:
    """Return the relative uncertainty that is left of the gains; one range cancels with itself."""
    net: dict[float, tuple[float, float]] = dict(reference.gain)
    for pair in case.targets:
        scale = pair.shot.capture.vertical_range
        weight, own = net.get(scale, (0.0, budget.gain_uncertainty(pair.shot)))
        net[scale] = (weight - 1 / len(case.targets), own)
    return float(np.sqrt(sum((weight * own) ** 2 for weight, own in net.values())))


def _probe(case: Case) -> float:
    """Return the relative uncertainty of the probes; the same probe cancels."""
    net: dict[str, tuple[float, float]] = {}
    for share, pair in zip(case.shares, case.references, strict=True):
        probe = pair.shot.capture.transducer
        net[probe.name] = (net.get(probe.name, (0.0, 0.0))[0] + share, probe.relative_uncertainty)
    for pair in case.targets:
        probe = pair.shot.capture.transducer
        weight = net.get(probe.name, (0.0, 0.0))[0]
        net[probe.name] = (weight - 1 / len(case.targets), probe.relative_uncertainty)
    return float(np.sqrt(sum((w * u) ** 2 for w, u in net.values() if abs(w) > 1e-9)))


def _pickup_error(case: Case) -> float:
    return float(np.sqrt(np.mean([p.pickup_error**2 for p in case.targets])))


def _scale_uncertainty(pairs: Sequence[Pair]) -> float:
    """Return the relative uncertainty of a level: gain and probe, which do not cancel in it."""
    shot = pairs[0].shot
    return float(
        np.hypot(budget.gain_uncertainty(shot), shot.capture.transducer.relative_uncertainty)
    )


def _seen_level(pairs: Sequence[Pair], which: Literal["shot", "floor"]) -> Level:
    shots = [getattr(pair, which) for pair in pairs]
    name = pairs[0].measure.name
    levels = np.concatenate([shot.levels[name] for shot in shots])
    value = float(levels.mean())
    repeat = float(levels.std(ddof=1) / np.sqrt(levels.size)) if levels.size > 1 else 0.0
    probe = shots[0].capture.transducer
    scale = np.hypot(budget.gain_uncertainty(shots[0]), probe.relative_uncertainty)
    return Level(value, probe.unit, float(np.hypot(repeat, value * scale)))


def _reference_level(case: Case, reference: Reference) -> Level:
    scale = _scale_uncertainty(case.references)
    relative = np.hypot(scale, reference.drift)
    return Level(
        reference.value,
        case.references[0].shot.capture.transducer.unit,
        float(np.hypot(reference.uncertainty, reference.value * relative)),
    )


def _level_interval(
    estimate: Estimate, scale: float, state: State, two: float, one: float
) -> tuple[float | None, float | None]:
    """Return the interval of the residual itself, with gain and probe. [unit]"""
    if state == "invalid":
        return None, None
    if state == "floor-limited":
        return None, float(estimate.limits(one)[1] * (1 + one * scale))
    low, high = estimate.limits(two)
    value = estimate.value
    spread = two * scale * value
    return (
        float(max(0.0, value - np.hypot(value - low, spread))),
        float(value + np.hypot(high - value, spread)),
    )


def _bounds(case: Case, name: Correction, k: float) -> tuple[float | None, float | None]:
    """Return the attenuation between the correction's rigorous bounds of both levels. [dB]"""
    bounds = CORRECTIONS[name].bounds
    low, high = np.mean([bounds(pair, k) for pair in case.targets], axis=0)
    pairs = [bounds(pair, k) for pair in case.references]
    bottom, top = np.array(case.shares) @ np.array(pairs)
    return (
        decibels(float(bottom / high)) if high > 0 else None,
        decibels(float(top / low)) if low > 0 else None,
    )
