"""An estimated level with what is needed to bound it, also where it drowns in noise."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from scipy import special


@dataclass(frozen=True, slots=True)
class Factor:
    """How far a limit reaches.

    Attributes
    ----------
    k : standard uncertainties, from Student's t.
    tail : probability left beyond the limit, on its side. [1]
    """

    k: float
    tail: float


ONE_SIGMA = Factor(1.0, float(special.ndtr(-1.0)))


class Estimate(Protocol):
    """What the rest of the analysis asks of a level, however it was estimated."""

    @property
    def value(self) -> float:
        """The level, never negative. [unit]"""

    @property
    def freedom(self) -> float:
        """Degrees of freedom of the repeatability."""

    @property
    def seen(self) -> float:
        """Level before the floor was taken off. [unit]"""

    @property
    def floor(self) -> float:
        """Level that the floor alone would show in place of ``seen``. [unit]"""

    @property
    def slack(self) -> float:
        """Variance from other sources than repeatability. [unit^2]"""

    def limits(self, factor: Factor) -> tuple[float, float]:
        """Return the lowest and the highest level that agree with what was seen. [unit]"""

    def ceiling(self, factor: Factor) -> float:
        """Return the highest level, also where nothing was detected. [unit]"""

    def detected(self, factor: Factor) -> bool:
        """Return whether what was seen exceeds what the floor alone shows."""

    def decision_threshold(self, factor: Factor) -> float:
        """Return the level that the floor alone exceeds with the probability of the tail. [unit]

        Currie's critical level; ISO 11929's decision threshold.
        """

    def detection_limit(self, factor: Factor) -> float:
        """Return the smallest true level that is missed with the probability of the tail. [unit]

        ISO 11929: ``y# = y* + k u(y#)``.
        """

    def clean(self) -> Estimate:
        """Return the estimate with nothing but repeatability in it."""


def standard_uncertainty(estimate: Estimate) -> float:
    """Return half the width between the limits of one standard uncertainty. [unit]"""
    low, high = estimate.limits(ONE_SIGMA)
    return (high - low) / 2


@dataclass(frozen=True, slots=True)
class SquaredEstimate:
    """A level known through its square.

    Near the floor the square is the well-behaved quantity: its estimate may come out negative, and
    its standard deviation tends to a constant while that of the level grows without bound. A
    limit is the true level ``x`` whose square the estimate ``U`` could still come from
    (Fieller 1954; the same inversion as in ISO 11929):

        (U - x^2)^2 = k^2 4 x^2 c + t^2

    with ``c`` the variance of the level where it stands clear, and ``t`` the quantile of ``U``
    where there is nothing. The squared noise of a mean is a sum of squares, so its quantiles are
    taken from F, with the freedom that its mean and variance imply: few for a carrier, thousands
    for white noise. Far above the floor the limits are the ordinary ``sqrt(U) +- k sqrt(c)``.

    Attributes
    ----------
    squared : estimate of the squared level; may be negative (U). [unit^2]
    linear : variance of the level where it stands clear of the floor (c). [unit^2]
    quadratic : variance of ``squared`` where there is nothing to measure. [unit^4]
    freedom : degrees of freedom of ``linear``.
    seen, floor : see `Estimate`. [unit]
    noise_freedom : degrees of freedom of the squared noise in ``seen``, and of its estimate; None
        where ``squared`` scatters normally.
    slack : see `Estimate`. [unit^2]
    moved : variance of ``squared`` from a pickup that moved, without a signal. [unit^4]
    """

    squared: float
    linear: float
    quadratic: float
    freedom: float
    seen: float
    floor: float
    noise_freedom: tuple[float, float] | None = None
    slack: float = 0.0
    moved: float = 0.0

    @property
    def value(self) -> float:
        """The level; 0 where its square came out negative. [unit]"""
        return float(np.sqrt(max(0.0, self.squared)))

    def limits(self, factor: Factor) -> tuple[float, float]:
        """Return the limits; a negative square never makes the upper one tighter than zero does."""
        squared = max(0.0, self.squared)
        low, high = self._roots(squared, factor.k, self._reach(factor))
        return float(np.sqrt(max(0.0, low))), float(np.sqrt(high))

    def ceiling(self, factor: Factor) -> float:
        """Return the upper limit."""
        return self.limits(factor)[1]

    def detected(self, factor: Factor) -> bool:
        """Return whether the squared level exceeds its decision threshold."""
        return self.squared > self._reach(factor)

    def decision_threshold(self, factor: Factor) -> float:
        """Return the root of the upper quantile of the squared level without a signal."""
        return float(np.sqrt(self._reach(factor)))

    def detection_limit(self, factor: Factor) -> float:
        """Return the level whose lower limit just reaches the decision threshold."""
        reach = self._reach(factor)
        return float(np.sqrt(self._roots(reach, factor.k, reach)[1]))

    def clean(self) -> SquaredEstimate:
        """Return the estimate without slack."""
        return replace(self, slack=0.0, moved=0.0)

    def with_pickup(self, along: float, whole: float) -> SquaredEstimate:
        """Return the estimate with a pickup that did not repeat.

        Parameters
        ----------
        along : its part along the residual, standard. [unit]
        whole : all of it, standard. [unit]
        """
        return replace(self, slack=self.slack + along**2, moved=self.moved + 3 * whole**4)

    def _roots(self, squared: float, k: float, quantile: float) -> tuple[float, float]:
        c = self.linear + self.slack
        middle = squared + 2 * k * k * c
        root = np.sqrt(4 * k**4 * c * c + 4 * k * k * squared * c + quantile**2)
        return middle - root, middle + root

    def _reach(self, factor: Factor) -> float:
        """Return how far the square rises above zero without a signal; limits reach as far below.

        Without a signal it falls less far than it rises. But noise of few dimensions that lies
        partly along a weak signal, a carrier, can cancel it, and how much lies along it is learnt
        from too few rows to rely on ``linear`` alone.
        """
        if self.noise_freedom is None or self.floor == 0:
            return float(factor.k * np.sqrt(self.quadratic + self.moved))
        own, other = self.noise_freedom
        beyond = 1 / float(special.fdtri(other, own, factor.tail)) - 1  # the upper point of F
        return float(np.hypot(self.floor**2 * beyond, factor.k * np.sqrt(self.moved)))


@dataclass(frozen=True, slots=True)
class ExtremeEstimate:
    """A peak-to-peak level of a coherent mean.

    Attributes
    ----------
    value : the estimate. [unit]
    linear, freedom : variance of ``value`` from repeatability, and its freedom. [unit^2, 1]
    seen : peak-to-peak of the mean as it is, noise included. [unit]
    floor, spread : mean and standard deviation of what noise alone shows in ``seen``. [unit]
    raw : variance of a difference of two samples of the mean. [unit^2]
    slack : see `Estimate`. [unit^2]
    """

    value: float
    linear: float
    freedom: float
    seen: float
    floor: float
    spread: float
    raw: float
    slack: float = 0.0

    def limits(self, factor: Factor) -> tuple[float, float]:
        """Return the limits, symmetric about the value."""
        reach = factor.k * float(np.sqrt(self.linear + self.slack))
        return max(0.0, self.value - reach), self.value + reach

    def ceiling(self, factor: Factor) -> float:
        """Return what holds for any wave form: the noisy peak-to-peak and its own noise.

        The mean at the two places of the true extremes lies below their true difference by
        more than k standard deviations only with the probability of the tail, and the extremes
        of the mean are at least as far apart.
        """
        return self.seen + factor.k * float(np.sqrt(self.raw + self.slack))

    def detected(self, factor: Factor) -> bool:
        """Return whether the noisy peak-to-peak exceeds what noise alone shows."""
        return self.seen > self.decision_threshold(factor)

    def decision_threshold(self, factor: Factor) -> float:
        """Return the upper quantile of the peak-to-peak of noise alone (Gumbel, by moments)."""
        scale = self.spread * np.sqrt(6) / np.pi
        centre = self.floor - np.euler_gamma * scale
        quantile = centre - scale * np.log(-np.log1p(-factor.tail))
        return float(np.hypot(quantile, factor.k * np.sqrt(self.slack)))

    def detection_limit(self, factor: Factor) -> float:
        """Return the level that exceeds the threshold but for a difference's own noise."""
        return self.decision_threshold(factor) + factor.k * float(np.sqrt(self.raw + self.slack))

    def clean(self) -> ExtremeEstimate:
        """Return the estimate without slack."""
        return replace(self, slack=0.0)

    def with_pickup(self, along: float, whole: float) -> ExtremeEstimate:  # noqa: ARG002 - as the other
        """Return the estimate with a pickup that did not repeat by ``along``. [unit]"""
        return replace(self, slack=self.slack + along**2)
