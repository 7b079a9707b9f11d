"""One candidate, quantity and measure: from prepared shots to a result with its interval."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from acquire.analysis import budget, corrections
from acquire.analysis.bracket import Reference, between
from acquire.analysis.budget import DB, decibels
from acquire.analysis.corrections import CORRECTIONS, Pair
from acquire.analysis.estimates import ONE_SIGMA, Estimate, Factor, standard_uncertainty
from acquire.analysis.evidence import Evidence, choose
from acquire.analysis.inputs import Choices, Correction
from acquire.analysis.results import (
    Attenuation,
    BudgetLine,
    ConditionResult,
    Level,
    MethodResult,
    State,
)
from acquire.analysis.shots import Shot
from acquire.analysis.summary import one_way

TINY = float(np.finfo(float).tiny)


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """Everything that one result rests on.

    Attributes
    ----------
    condition : of the target.
    target : the target shot with its floor.
    references : one or two reference shots around them, with their floors.
    shares : weight of each reference.
    choices : of the recipe.
    remarks : known before the numbers.
    evidence : what is known already of how these shots repeat.
    """

    condition: str
    target: Pair
    references: tuple[Pair, ...]
    shares: tuple[float, ...]
    choices: Choices
    remarks: tuple[str, ...] = ()
    evidence: Evidence = field(default_factory=Evidence)


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
    return ConditionResult(
        condition=case.condition,
        quantity=case.target.shot.capture.quantity,
        measure=case.target.measure.name,
        reference=outcome.reference,
        observed=_seen_level(case.target.shot, case),
        floor=_seen_level(case.target.floor, case),
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
    measure, repetition = case.target.measure, case.evidence.repetition
    target = repetition(case.target.shot, case.target.floor, measure)
    reference = max(
        (repetition(p.shot, p.floor, measure) for p in case.references), key=lambda r: r.excess
    )
    floor = repetition(case.target.floor, None, measure)
    name, why = choose(target, reference, floor)
    if case.choices.correction == "auto":
        return name, why
    asked = case.choices.correction
    if asked == name:
        return asked, f"as the recipe asks; the evidence agrees ({why})"
    return asked, f"as the recipe asks; the evidence would choose {why}"


def _outcome(case: Case, name: Correction) -> Outcome:
    coverage = case.choices.coverage
    estimate = corrections.estimate(case.target, name)
    reference = between(
        case.references,
        [corrections.estimate(pair, name) for pair in case.references],
        case.shares,
        budget.one_sided(coverage, float("inf")),
    )
    usable = reference.detected and reference.value > 0
    lines = _lines(case, name, estimate, reference) if usable else ()
    freedom = budget.effective_freedom(lines)
    two, one = budget.two_sided(coverage, freedom), budget.one_sided(coverage, freedom)
    state, reason = _state(case, name, estimate, reference, (two, one))
    attenuation = _attenuation(case, name, estimate, reference, lines, (two, one), (state, reason))
    unit = case.target.shot.capture.transducer.unit
    scale = _scale_uncertainty(case.target)
    spread = float(np.hypot(standard_uncertainty(estimate), estimate.value * scale))
    corrected = Level(estimate.value, unit, spread)
    return Outcome(
        method=MethodResult(corrected, attenuation, _bounds(case, name, estimate, two)),
        reference=_reference_level(case, reference),
        lines=lines,
        corrected_interval=_level_interval(case, estimate, scale, state, two, one),
        decision_threshold=estimate.decision_threshold(one),
        detection_limit=estimate.detection_limit(one),
    )


def _state(
    case: Case,
    name: Correction,
    estimate: Estimate,
    reference: Reference,
    factors: tuple[Factor, Factor],
) -> tuple[State, str]:
    two, one = factors
    if not reference.detected or reference.value <= 0:
        return "invalid", "the reference is not distinguishable from its floor"
    unit = case.target.shot.capture.transducer.unit
    if not estimate.detected(one):
        return (
            "floor-limited",
            f"the residual is not distinguishable from the floor: {estimate.value:.3g} {unit} "
            f"against a decision threshold of {estimate.decision_threshold(one):.3g} {unit}",
        )
    above = decibels(estimate.seen / max(estimate.floor, TINY))
    if above is not None and above < case.choices.margin:
        return (
            "floor-limited",
            f"{_standing(name, above)}, less than the margin of {case.choices.margin:g} dB",
        )
    if estimate.limits(two)[0] <= 0:
        return "floor-limited", "the interval of the residual reaches down to zero"
    return "resolved", "the residual stands clear of the floor"


def _standing(name: Correction, above: float) -> str:
    if name == "coherent":
        return (
            f"less the floor's mean trace, the target's stands {above:.2g} dB above the noise that "
            "averaging leaves"
        )
    return f"the target stands {above:.2g} dB above the floor"


def _attenuation(
    case: Case,
    name: Correction,
    estimate: Estimate,
    reference: Reference,
    lines: Sequence[BudgetLine],
    factors: tuple[Factor, Factor],
    state: tuple[State, str],
) -> Attenuation:
    coverage = case.choices.coverage
    if state[0] == "invalid":
        return Attenuation(None, None, (None, None), coverage, name, *state)
    two, one = factors
    rest = [line for line in lines if line.source not in IN_THE_LIMITS]
    other = budget.combined(rest)
    if state[0] == "floor-limited":
        other = budget.combined([line for line in rest if line.source != QUANTISATION])
        high = _ceiling(case, estimate, one)
        centre = decibels(reference.value / high)
        assert centre is not None
        below = _below(reference, one)
        low, _ = budget.interval(centre, (below, 0.0), (0.0, 0.0), one.k * other)
        return Attenuation(None, None, (low, None), coverage, name, *state)
    ratio = reference.value / estimate.value
    db = decibels(ratio)
    assert db is not None
    lowest, highest = estimate.limits(two)
    target = (
        DB * np.log(estimate.value / lowest),
        DB * np.log(highest / estimate.value),
    )
    above = DB * np.log1p(two.k * reference.uncertainty / reference.value)
    ends = budget.interval(db, (_below(reference, two), above), target, two.k * other)
    return Attenuation(ratio, db, ends, coverage, name, *state)


def _below(reference: Reference, factor: Factor) -> float:
    """Return how far the reference may be below its value, at most 20 dB. [dB]"""
    return float(-DB * np.log(max(0.1, 1 - factor.k * reference.uncertainty / reference.value)))


IN_THE_LIMITS = (
    "repeatability of the target",
    "repeatability of the reference",
    "pickup repeatability",
    "extremes of residual and floor together",
)
"""Lines that enter the interval through the limits of each level, not as a symmetric term."""


QUANTISATION = "quantisation"
"""A line that enters the upper limit of a residual that was not resolved."""


def _lines(
    case: Case, name: Correction, estimate: Estimate, reference: Reference
) -> tuple[BudgetLine, ...]:
    """Return the budget of the attenuation; relative to the upper limit where there is no value."""
    own = budget.quantisation(case.target.shot, case.target.measure)
    level = max(estimate.value or np.hypot(estimate.ceiling(ONE_SIGMA), own), TINY)
    held = reference.value
    share = float(np.hypot(own / level, reference.quantisation / held))
    slack = np.sqrt(estimate.slack) / level

    repeat = standard_uncertainty(estimate.clean()) / level
    return (
        _line(IN_THE_LIMITS[0], "A", repeat, estimate.freedom),
        _line(IN_THE_LIMITS[1], "A", reference.uncertainty / held, reference.freedom),
        *_between_shots(case.target),
        _line("drift of the source", "B", reference.drift),
        _line("vertical gain of the scope", "B", _gain(case, reference)),
        _line(QUANTISATION, "B", share),
        _line(IN_THE_LIMITS[2], "B", slack if name == "coherent" else 0.0),
        _line(IN_THE_LIMITS[3], "B", slack if name == "power" else 0.0),
        _line("transfer impedance of the probe", "B", _probe(case)),
    )


def _line(
    source: str, kind: Literal["A", "B"], relative: float, freedom: float = float("inf")
) -> BudgetLine:
    finite = float(freedom) if np.isfinite(freedom) else None
    return BudgetLine(source, kind, float(DB * relative), finite)


def _between_shots(target: Pair) -> tuple[BudgetLine, ...]:
    """Return the line for what differs between several shots of one condition (GUM H.5)."""
    if len(target.members) < 2:
        return ()
    found = one_way(target.members)
    relative = float(np.sqrt(found.component / len(target.members))) / max(target.observed, TINY)
    return (_line("between shots of the condition", "A", relative, found.between_freedom),)


def _ceiling(case: Case, estimate: Estimate, one: Factor) -> float:
    """Return the highest level of a residual that was not resolved, quantisation included."""
    return float(
        np.hypot(
            estimate.ceiling(one),
            one.k * budget.quantisation(case.target.shot, case.target.measure),
        )
    )


def _gain(case: Case, reference: Reference) -> float:
    """Return the relative uncertainty that is left of the gains; one range cancels with itself."""
    net: dict[float, tuple[float, float]] = dict(reference.gain)
    scale = case.target.shot.capture.vertical_range
    weight, own = net.get(scale, (0.0, budget.gain_uncertainty(case.target.shot)))
    net[scale] = (weight - 1, own)
    return float(np.sqrt(sum((weight * own) ** 2 for weight, own in net.values())))


def _probe(case: Case) -> float:
    """Return the relative uncertainty of the probes; the same probe cancels."""
    net: dict[str, tuple[float, float]] = {}
    pairs = [*case.references, case.target]
    for share, pair in zip((*case.shares, -1.0), pairs, strict=True):
        probe = pair.shot.capture.transducer
        weight, _ = net.get(probe.name, (0.0, 0.0))
        net[probe.name] = (weight + share, probe.relative_uncertainty)
    return float(np.sqrt(sum((w * u) ** 2 for w, u in net.values() if abs(w) > 1e-9)))


def _scale_uncertainty(pair: Pair) -> float:
    """Return the relative uncertainty of a level: gain and probe, which do not cancel in it."""
    probe = pair.shot.capture.transducer
    return float(np.hypot(budget.gain_uncertainty(pair.shot), probe.relative_uncertainty))


def _seen_level(shot: Shot, case: Case) -> Level:
    """Return the mean level of the records as taken."""
    levels = shot.levels[case.target.measure.name]
    value = float(levels.mean())
    repeat = float(levels.std(ddof=1) / np.sqrt(levels.size))
    scale = _scale_uncertainty(case.target)
    unit = shot.capture.transducer.unit
    return Level(value, unit, float(np.hypot(repeat, value * scale)))


def _reference_level(case: Case, reference: Reference) -> Level:
    scale = _scale_uncertainty(case.references[0])
    relative = np.hypot(scale, reference.drift)
    return Level(
        reference.value,
        case.references[0].shot.capture.transducer.unit,
        float(np.hypot(reference.uncertainty, reference.value * relative)),
    )


def _level_interval(
    case: Case, estimate: Estimate, scale: float, state: State, two: Factor, one: Factor
) -> tuple[float | None, float | None]:
    """Return the interval of the residual itself, with gain and probe. [unit]"""
    if state == "invalid":
        return None, None
    if state == "floor-limited":
        return None, float(_ceiling(case, estimate, one) * (1 + one.k * scale))
    low, high = estimate.limits(two)
    value = estimate.value
    spread = two.k * scale * value
    return (
        float(max(0.0, value - np.hypot(value - low, spread))),
        float(value + np.hypot(high - value, spread)),
    )


def _bounds(
    case: Case, name: Correction, estimate: Estimate, factor: Factor
) -> tuple[float | None, float | None]:
    """Return the attenuation between the correction's rigorous bounds of both levels. [dB]"""
    bounds = CORRECTIONS[name].bounds
    low, high = bounds(case.target, estimate.value, factor)
    ends = [
        bounds(pair, corrections.estimate(pair, name).value, factor) for pair in case.references
    ]
    bottom, top = np.array(case.shares) @ np.array(ends)
    return (
        decibels(float(bottom / high)) if high > 0 else None,
        decibels(float(top / low)) if low > 0 else None,
    )
