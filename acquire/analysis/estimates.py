"""An estimated level with what is needed to bound it, also where it drowns in noise.

Near the floor the square of a level is the well-behaved quantity, not the level: its estimate may
come out negative, and its standard deviation tends to a constant while that of the level grows
without bound. So a limit is found by asking which true level ``x`` the observed squared level
``U`` could still come from (Fieller 1954; the same inversion as ISO 11929):

    (U - x^2)^2 <= k^2 (4 x^2 c + q)

with ``c`` the variance of the level where it stands clear, and ``q`` the variance of ``U`` where
there is nothing. Far above the floor this is the ordinary ``sqrt(U) +- k sqrt(c)``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np


@dataclass(frozen=True, slots=True)
class Estimate:
    """One level estimated from one or two shots.

    Attributes
    ----------
    squared : estimate of the squared level; may be negative. [unit^2]
    linear : variance of the level where it stands clear of the floor (c). [unit^2]
    quadratic : variance of ``squared`` where there is nothing to measure (q). [unit^4]
    freedom : degrees of freedom of ``linear``.
    seen : level before the floor was taken off. [unit]
    floor : level that the floor alone would show in place of ``seen``. [unit]
    slack : extra variance for the level's bias correction, type B. [unit^2]
    quadratic_freedom : degrees of freedom of ``quadratic``.
    """

    squared: float
    linear: float
    quadratic: float
    freedom: float
    seen: float
    floor: float
    slack: float = 0.0
    quadratic_freedom: float = np.inf

    @property
    def value(self) -> float:
        """The level; 0 where its square came out negative. [unit]"""
        return float(np.sqrt(max(0.0, self.squared)))

    def limits(self, k: float) -> tuple[float, float]:
        """Return the lowest and highest level compatible at coverage factor ``k``. [unit]

        A squared level that came out negative is no reason for a tighter upper limit than zero.
        """
        c = self.linear + self.slack
        squared = max(0.0, self.squared)
        middle = squared + 2 * k * k * c
        root = k * np.sqrt(4 * k * k * c * c + 4 * squared * c + self.quadratic)
        low, high = max(0.0, middle - root), max(0.0, middle + root)
        return float(np.sqrt(low)), float(np.sqrt(high))

    def standard_uncertainty(self) -> float:
        """Return half the width between the limits at ``k = 1``. [unit]"""
        low, high = self.limits(1.0)
        return (high - low) / 2

    def decision_threshold(self, k: float) -> float:
        """Return the level that nothing but noise exceeds with the probability of ``k``. [unit]

        Currie's critical level, ISO 11929's decision threshold: ``y* = k u(0)`` of the squared
        level.
        """
        return float(np.sqrt(k * np.sqrt(self.quadratic)))

    def detection_limit(self, k: float) -> float:
        """Return the smallest true level that is detected with the probability of ``k``. [unit]

        ISO 11929: ``y# = y* + k u(y#)``, on the squared level.
        """
        threshold = k * np.sqrt(self.quadratic)
        c = self.linear + self.slack
        middle = threshold + 2 * k * k * c
        inner = middle**2 - threshold**2 + k * k * self.quadratic
        return float(np.sqrt(middle + np.sqrt(max(0.0, inner))))

    def detected(self, k: float) -> bool:
        """Return whether the squared level exceeds its decision threshold."""
        return bool(self.squared > k * np.sqrt(self.quadratic))

    def with_pickup(self, error: float) -> Estimate:
        """Return the estimate with a pickup that did not repeat by ``error`` (standard). [unit]

        The worst case is taken: the error lies along the residual.
        """
        return replace(
            self,
            slack=self.slack + error**2,
            quadratic=self.quadratic + 3 * error**4,
        )
