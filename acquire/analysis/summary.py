"""Summary statistics of repeated levels: type A evaluation and one-way analysis of variance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from acquire.analysis.inputs import Floats


@dataclass(frozen=True, slots=True)
class TypeA:
    """Mean of repeated observations (GUM 4.2).

    Attributes
    ----------
    mean : [unit]
    deviation : experimental standard deviation of one observation. [unit]
    variance : of the mean. [unit^2]
    freedom : degrees of freedom.
    """

    mean: float
    deviation: float
    variance: float
    freedom: float


def type_a(observations: Floats) -> TypeA:
    """Return mean, scatter and variance of the mean of at least two observations.

    The mean is taken relative to the first observation: a large common part costs no digits.
    """
    origin = float(observations[0])
    rest = observations - origin
    mean = float(rest.mean())
    freedom = observations.size - 1.0
    square = float(np.sum((rest - mean) ** 2)) / freedom
    return TypeA(origin + mean, float(np.sqrt(square)), square / observations.size, freedom)


@dataclass(frozen=True, slots=True)
class OneWay:
    """One-way analysis of variance (GUM H.5).

    Attributes
    ----------
    between, within : mean squares. [unit^2]
    between_freedom, within_freedom : degrees of freedom.
    group_size : observations in a group, or their effective number where sizes differ.
    """

    between: float
    within: float
    between_freedom: float
    within_freedom: float
    group_size: float

    @property
    def ratio(self) -> float:
        """F, the mean square between groups over that within; inf where nothing scatters within."""
        return self.between / self.within if self.within > 0 else float("inf")

    @property
    def component(self) -> float:
        """Variance of the groups' own means, beyond what scatter within explains. [unit^2]"""
        return max(0.0, (self.between - self.within) / self.group_size)


def one_way(groups: Sequence[Floats]) -> OneWay:
    """Return the analysis of variance of at least two groups.

    Parameters
    ----------
    groups : observations of each group; sizes may differ.
    """
    origin = float(groups[0][0])
    shifted = [group - origin for group in groups]
    sizes = np.array([group.size for group in shifted], dtype=np.float64)
    means = np.array([group.mean() for group in shifted])
    total = float(sizes.sum())
    grand = float(sizes @ means) / total
    inside = sum(float(np.sum((g - m) ** 2)) for g, m in zip(shifted, means, strict=True))
    between_freedom, within_freedom = sizes.size - 1.0, total - sizes.size
    return OneWay(
        between=float(sizes @ (means - grand) ** 2) / between_freedom,
        within=inside / within_freedom,
        between_freedom=between_freedom,
        within_freedom=within_freedom,
        group_size=(total - float(sizes @ sizes) / total) / between_freedom,
    )
