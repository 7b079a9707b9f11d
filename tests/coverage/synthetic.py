"""Synthetic runs with a known truth: damped rings, pickup, noise, a converter. Fast, vectorised.

Invented for the tests and independent of the simulated instruments. The conducted current of one
source event is a sum of damped rings; the truth is the measure of its noise-free trace.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from acquire.analysis.inputs import Capture, Choices, Transducer
from acquire.analysis.measures import MEASURES

STEP = 4e-9
LENGTH = 1000
PRE = 100
RANGES = np.array([m * 10.0**e for e in range(-4, 3) for m in (0.8, 1.6, 4.0)])
"""Full scales of the synthetic scope. [V]"""


@dataclass(frozen=True)
class Regime:
    """One kind of run.

    ``floor_db`` is the level of the floor (pickup and incoherent noise, RMS) above the residual.
    ``pickup``: none (front-end noise only), coherent, incoherent (a carrier), mixed.
    """

    attenuation: float = 40.0
    pickup: str = "mixed"
    floor_db: float = 0.0
    repeats: int = 16
    jitter: float = 0.0
    drift: float = 0.0
    trigger_jitter: float = 0.0
    bits: int = 8
    pickup_repeatability: float = 0.0
    gain_accuracy: float = 0.0
    repeatable: bool = True


@dataclass(frozen=True)
class Drawn:
    captures: list[Capture]
    truth_db: dict[str, float]
    """Measure -> attenuation."""
    residual: dict[str, float]
    """Measure -> level of the residual. [A]"""
    coherent_floor: dict[str, float]
    """Measure -> level that the averaged incoherent floor alone shows. [A]"""


def rings(rng, count, low, high, length=LENGTH):
    """Return a function t [sample] -> waveform of damped rings, with smooth onset."""
    frequency = np.exp(rng.uniform(np.log(low), np.log(high), count)) * STEP
    decay = rng.uniform(4, 15, count) / frequency
    decay = np.minimum(decay, length / 6)
    weight = rng.uniform(0.4, 1.0, count) * np.array([1.0] + [0.5] * (count - 1))
    phase = rng.uniform(-0.5, 0.5, count)

    def wave(t):
        t = np.asarray(t, dtype=float)[..., None] - PRE
        on = np.clip(t, 0, None)
        rise = 1 - np.exp(-on * frequency * 3)
        each = weight * rise * np.exp(-on / decay) * np.sin(2 * np.pi * frequency * on + phase)
        return np.where(t > 0, each, 0.0).sum(axis=-1)

    return wave


def centred_rms(x):
    return float(np.sqrt(np.mean((x - x.mean()) ** 2)))


class Bench:
    """Draws the shots of one run."""

    def __init__(self, regime, rng, measures):
        self.regime, self.rng = regime, rng
        t = np.arange(LENGTH)
        self.source = rings(rng, 2, 1e6, 12e6)
        residual = rings(rng, 2, 0.7e6, 20e6)
        self.pick = rings(rng, 2, 3e6, 25e6)
        self.trig = rings(rng, 1, 2e6, 8e6)
        # The attenuation of the regime is that of RMS; other measures have a truth of their own.
        scale = 10 ** (-regime.attenuation / 20) * centred_rms(self.source(t))
        level = scale / centred_rms(residual(t))
        self.residual = lambda x: level * residual(x)
        self.level = scale
        floor = self.level * 10 ** (regime.floor_db / 20)
        share = {
            "none": (0.0, 0.0, 1.0),
            "coherent": (0.95, 0.0, 0.3),
            "incoherent": (0.0, 0.95, 0.3),
            "mixed": (0.65, 0.65, 0.4),
        }[regime.pickup]
        self.p, self.carrier, self.noise = (floor * s for s in share)
        self.p_level = self.p / centred_rms(self.pick(t))
        self.frequency = np.exp(rng.uniform(np.log(1e6), np.log(40e6))) * STEP
        self.t = t
        self.truth, self.levels = {}, {}
        for name in measures:
            one = [self._truth(MEASURES[name], wave) for wave in (self.source, self.residual)]
            self.levels[name] = one[1]
            self.truth[name] = float(20 * np.log10(one[0] / one[1]))

    def _truth(self, measure, wave):
        """Return the mean of the measure over events."""
        if self.regime.repeatable:
            return float(measure.levels(wave(self.t)[None, :], STEP)[0])
        events = np.stack([event(self.t) for event in self._random(wave, 400)])
        return float(measure.levels(events, STEP).mean())

    def shot(self, order, role, condition, wave, amplitude, full_scale, pickup_factor):
        rng, r = self.rng, self.regime
        n = r.repeats
        tau = rng.uniform(-r.trigger_jitter, r.trigger_jitter, n)
        time = self.t[None, :] - tau[:, None]
        event = amplitude * (1 + r.jitter * rng.standard_normal(n))
        body = np.zeros((n, LENGTH))
        if wave is not None:
            if r.repeatable:
                body += event[:, None] * wave(time)
            else:
                body += event[:, None] * np.stack(
                    [w(row) for w, row in zip(self._random(wave, n), time, strict=True)]
                )
        if self.p:
            body += pickup_factor * event[:, None] * self.p_level * self.pick(time)
        if self.carrier:
            phase = rng.uniform(0, 2 * np.pi, n)[:, None]
            body += self.carrier * np.sqrt(2) * np.sin(2 * np.pi * self.frequency * self.t + phase)
        # Front-end noise grows with the range: 0.1 % of full scale for a range that is not the
        # smallest one needed, but never less than the floor's own share.
        sigma = np.hypot(self.noise, 0.001 * full_scale)
        body += sigma * rng.standard_normal((n, LENGTH))
        return self._capture(order, role, condition, "lead_current", body, full_scale), tau, event

    def _random(self, wave, n):
        """Events with the same rings at random phases: they do not repeat."""
        rng = self.rng
        base = wave(np.arange(LENGTH))
        spectrum = np.fft.rfft(base)

        def one():
            turned = np.abs(spectrum) * np.exp(2j * np.pi * rng.uniform(size=spectrum.size))
            values = np.fft.irfft(turned, LENGTH)
            return lambda t: np.interp(t, np.arange(LENGTH), values)

        return [one() for _ in range(n)]

    def trigger(self, order, role, condition, tau, event):
        time = self.t[None, :] - tau[:, None]
        body = event[:, None] * self.trig(time)
        body += 0.004 * self.rng.standard_normal(body.shape)
        return self._capture(order, role, condition, "source_voltage", body, 4.0)

    def _capture(self, order, role, condition, quantity, body, full_scale):
        bits = self.regime.bits
        n = body.shape[0]
        gain = full_scale / 2**bits
        error = 1.0
        if quantity == "lead_current" and self.regime.gain_accuracy:
            error = self.gains.setdefault(
                full_scale, 1 + self.rng.uniform(-1, 1) * self.regime.gain_accuracy
            )
        codes = np.rint(body * error / gain)
        half = 2 ** (bits - 1)
        clipped = int(np.sum((codes < -half) | (codes > half - 1)))
        codes = np.clip(codes, -half, half - 1).astype(np.int8 if bits <= 8 else np.int16)
        return Capture(
            shot=f"{order:02d}_{role}_{condition}",
            order=order,
            role=role,
            condition=condition,
            quantity=quantity,
            codes=codes,
            gain=np.full(n, gain),
            offset=np.zeros(n),
            start=np.full(n, -PRE * STEP),
            step=STEP,
            trigger_time=order * 100.0 + np.arange(n),
            bits=bits,
            vertical_range=float(full_scale),
            transducer=Transducer("probe", "A", 1.0, (1e3, 1e9), 0.0),
            gain_accuracy=self.regime.gain_accuracy,
            pickup_repeatability=self.regime.pickup_repeatability,
            clipped=clipped,
        )

    def range_for(self, wave, factor=1.0):
        """Return the smallest range that no record of this kind clips."""
        r = self.regime
        peak = 0.0 if wave is None else np.abs(wave(self.t)).max()
        peak *= (1 + 5 * r.jitter) * (1 + r.drift) * factor
        peak += np.abs(self.p_level * self.pick(self.t)).max() * (1 + 5 * r.jitter) * 1.1
        peak += np.sqrt(2) * self.carrier + 5.5 * self.noise
        return RANGES[np.searchsorted(RANGES, 2 * peak * 1.03)]

    def draw(self):
        r, rng = self.regime, self.rng
        self.gains = {}
        up = 1 + r.drift * rng.choice([-1, 1])
        # Monotone drift of unknown course: fast at first, even, or late.
        course = np.exp(rng.uniform(np.log(0.25), np.log(4.0)))
        at = lambda f: 1 + (up - 1) * f**course  # noqa: E731
        reference, target = self.range_for(self.source), self.range_for(self.residual)
        moved = 1 + r.pickup_repeatability * rng.standard_normal()
        plan = [
            ("reference", "bare", self.source, reference, 1.0),
            ("target", "choke", self.residual, target, moved),
            ("floor", "shorted", None, target, 1.0),
            ("floor", "shorted", None, reference, 1.0),
            ("reference", "bare", self.source, reference, 1.0),
        ]
        if target == reference:
            del plan[3]
        captures = []
        for order, (role, condition, wave, scale, factor) in enumerate(plan):
            # As far along the course as the shot's time tells.
            amplitude = at(order / (len(plan) - 1))
            capture, tau, event = self.shot(order, role, condition, wave, amplitude, scale, factor)
            captures.append(capture)
            if r.trigger_jitter:
                captures.append(self.trigger(order, role, condition, tau, event))
        incoherent = np.sqrt(
            (self.carrier**2 + self.noise**2 + (0.001 * target) ** 2) * 2 / r.repeats
        )
        # Peak-to-peak of white noise over 1000 samples is about 6.5 standard deviations.
        floors = {
            name: incoherent * (6.5 if MEASURES[name].basis is None else 1.0) for name in self.truth
        }
        return Drawn(captures, self.truth, self.levels, floors)


def draw(regime: Regime, seed, measures=("peak_to_peak", "rms")) -> Drawn:
    """Return one run of a regime; the same seed gives the same run."""
    return Bench(regime, np.random.default_rng(seed), measures).draw()


def choices_for(regime: Regime, measures, **over) -> Choices:
    trigger = "source_voltage" if regime.trigger_jitter else None
    return replace(
        Choices(measures=tuple(measures), trigger_quantity=trigger, drift_allowance=3.0), **over
    )
