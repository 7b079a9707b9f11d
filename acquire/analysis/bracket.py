"""The reference at the time of a target: between the references before and after it, and drift."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from acquire.analysis.budget import DB, decibels, gain_uncertainty, quantisation
from acquire.analysis.corrections import Pair
from acquire.analysis.estimates import Estimate, Factor, standard_uncertainty
from acquire.analysis.quadratic import satterthwaite


@dataclass(frozen=True, slots=True)
class Reference:
    """The reference level that a target is held against.

    Attributes
    ----------
    value : [unit]
    uncertainty : repeatability, standard. [unit]
    freedom : of ``uncertainty``.
    drift : standard uncertainty for the course of the source in between, relative. [1]
    gain : standard uncertainty of the vertical gain, relative, per vertical range. [1]
    quantisation : [unit]
    seen : mean level of the records before any correction. [unit]
    detected : whether every reference stands clear of its floor.
    """

    value: float
    uncertainty: float
    freedom: float
    drift: float
    gain: dict[float, tuple[float, float]]
    quantisation: float
    seen: float
    detected: bool


def bracketing(orders: Sequence[int], at: float) -> list[int]:
    """Return the positions of the references just before and just after ``at`` (one if no more)."""
    before = [i for i, order in enumerate(orders) if order < at]
    after = [i for i, order in enumerate(orders) if order > at]
    chosen = [max(before, key=orders.__getitem__)] if before else []
    return chosen + ([min(after, key=orders.__getitem__)] if after else [])


def weights(places: Sequence[float], at: float) -> list[float]:
    """Return the weights of a linear interpolation between one or two places."""
    if len(places) == 1 or places[0] == places[1]:
        return [1 / len(places)] * len(places)
    fraction = float(np.clip((at - places[0]) / (places[1] - places[0]), 0.0, 1.0))
    return [1 - fraction, fraction]


def between(
    pairs: Sequence[Pair], estimates: Sequence[Estimate], shares: Sequence[float], factor: Factor
) -> Reference:
    """Interpolate the reference, and say what its drift leaves open.

    The course between two references is not known; the source is taken to have been anywhere
    between both (rectangular, half-width half of their difference).
    """
    values = [e.value for e in estimates]
    value = float(np.dot(shares, values))
    parts = [(w * standard_uncertainty(e)) ** 2 for w, e in zip(shares, estimates, strict=True)]
    half = (max(values) - min(values)) / 2
    gain: dict[float, tuple[float, float]] = {}
    for share, pair in zip(shares, pairs, strict=True):
        scale = pair.shot.capture.vertical_range
        weight, _ = gain.get(scale, (0.0, 0.0))
        gain[scale] = (weight + share, gain_uncertainty(pair.shot))
    return Reference(
        value=value,
        uncertainty=float(np.sqrt(sum(parts))),
        freedom=satterthwaite(parts, [e.freedom for e in estimates]),
        drift=half / np.sqrt(3) / value if value > 0 else 0.0,
        gain=gain,
        quantisation=float(np.dot(shares, [quantisation(p.shot, p.measure) for p in pairs])),
        seen=float(np.dot(shares, [p.observed for p in pairs])),
        detected=all(e.detected(factor) for e in estimates),
    )


def drift_db(first: Estimate, last: Estimate, factor: Factor) -> tuple[float | None, float]:
    """Return the change from the first to the last reference, and its expanded uncertainty. [dB]"""
    if first.value <= 0 or last.value <= 0:
        return None, 0.0
    spread = np.hypot(
        standard_uncertainty(first) / first.value, standard_uncertainty(last) / last.value
    )
    return decibels(last.value / first.value), float(factor.k * DB * spread)
