"""What the analysis returns: frozen, complete, and without infinities (an undefined dB is None)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from acquire.analysis.inputs import Correction, Limit

State = Literal["resolved", "floor-limited", "invalid"]
Verdict = Literal["pass", "fail", "undecided"]


@dataclass(frozen=True, slots=True)
class Level:
    """One level with its standard uncertainty, both in ``unit``."""

    value: float
    unit: str
    standard_uncertainty: float | None


@dataclass(frozen=True, slots=True)
class Attenuation:
    """Reference over target, with what is known about it.

    Attributes
    ----------
    ratio : amplitude ratio (not dB), or None where only a bound is known.
    db : 20 lg of ``ratio``, or None. [dB]
    interval_db : (low, high); high is None where it is unbounded ("at least low"). [dB]
    coverage : of the interval. [1]
    method : the floor correction reported.
    state, reason : resolved / floor-limited / invalid, and why in one sentence.
    """

    ratio: float | None
    db: float | None
    interval_db: tuple[float | None, float | None]
    coverage: float
    method: Correction
    state: State
    reason: str


@dataclass(frozen=True, slots=True)
class MethodResult:
    """The same numbers under one of the four corrections.

    ``bounds_db`` is the rigorous bound of that correction (triangle inequality, cross term, or
    pickup repeatability), whatever the statistics say; None = unbounded on that side. [dB]
    """

    corrected: Level
    attenuation: Attenuation
    bounds_db: tuple[float | None, float | None]


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One named source of uncertainty. ``degrees_of_freedom`` None = infinite (type B)."""

    source: str
    kind: Literal["A", "B"]
    standard_uncertainty_db: float
    degrees_of_freedom: float | None


@dataclass(frozen=True, slots=True)
class ConditionResult:
    """One candidate, quantity and measure."""

    condition: str
    quantity: str
    measure: str
    reference: Level
    observed: Level
    floor: Level
    corrected: Level
    attenuation: Attenuation
    by_method: Mapping[Correction, MethodResult]
    budget: tuple[BudgetLine, ...]
    why_method: str
    remarks: tuple[str, ...] = ()
    corrected_interval: tuple[float | None, float | None] = (None, None)
    """Of ``corrected`` at the stated coverage, probe and gain included; low is None where only an
    upper bound is known. [unit]"""
    decision_threshold: float | None = None
    """Level that the floor alone exceeds with the probability 1 - coverage. [unit]"""
    detection_limit: float | None = None
    """Smallest true level that would be detected with the stated probability. [unit]"""


@dataclass(frozen=True, slots=True)
class LimitVerdict:
    """A limit, decided with the interval in hand (JCGM 106)."""

    limit: Limit
    verdict: Verdict
    reason: str


@dataclass(frozen=True, slots=True)
class Drift:
    """Change of the reference from opening to closing, per quantity and measure. [dB]"""

    quantity: str
    measure: str
    db: float | None
    within_allowance: bool
    remark: str


@dataclass(frozen=True, slots=True)
class Result:
    """Everything that one run shows."""

    results: tuple[ConditionResult, ...]
    limits: tuple[LimitVerdict, ...]
    verdict: Verdict | None
    """None where the recipe sets no limit."""
    drift: tuple[Drift, ...] = ()
    remarks: tuple[str, ...] = field(default=())
