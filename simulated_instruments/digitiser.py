"""From a record to converter codes: input noise, gain and offset errors, quantisation, saturation.

Codes are made when they are asked for. Everything random is a function of seed, event, input and
place, so that a record read again, or in parts, gives the same codes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulated_instruments.circuit import Circuit, Snapshot
from simulated_instruments.models import ScopeModel
from simulated_instruments.status import ScpiError

Codes = npt.NDArray[np.int16]
PIECE = 1 << 20
"""Samples that are synthesised at a time."""
REPEAT_FROM = 4
"""Pieces of a long record that are synthesised; the following ones repeat the last of these."""
KEPT = 16
"""Pieces that are kept, so that reading a record in parts or again gives the same codes."""


@dataclass(frozen=True, slots=True)
class Channel:
    """One input; ``range`` is full scale, ``offset`` the level at its centre. [V]"""

    range: float
    offset: float = 0.0
    enabled: bool = True
    coupling: str = "DC"
    impedance: float = 1e6
    bandwidth: float = 0.0
    probe: float = 1.0


@dataclass(frozen=True, slots=True)
class Timing:
    """What a record is: samples, step and time of the first sample from the trigger. [s]"""

    samples: int
    step: float
    start: float


@dataclass(frozen=True, slots=True)
class Record:
    """One triggered record of all inputs; its codes are synthesised when they are asked for.

    Attributes
    ----------
    trigger : instant of the trigger, from the source event. [s]
    lag : of the first sample behind where ``timing`` has it, below one step. [s]
    time : of the trigger on the instrument's own clock. [s]
    """

    snapshot: Snapshot
    timing: Timing
    trigger: float
    lag: float
    time: float
    channels: tuple[Channel, ...]


class Digitiser:
    """The converters of one oscilloscope and the records that it holds."""

    def __init__(self, model: ScopeModel, circuit: Circuit) -> None:
        self.model, self.circuit = model, circuit
        self.forget()

    def forget(self) -> None:
        """Drop all records."""
        self.records: list[Record] = []
        self._pieces: dict[tuple[int, int, int, int, int], Codes] = {}

    def forget_codes(self) -> None:
        """Drop the codes that are kept for being read again."""
        self._pieces.clear()

    def record(self, segment: int = 0) -> Record:
        """Return one complete record."""
        if not 0 <= segment < len(self.records):
            raise ScpiError(-230, "nothing has been recorded")
        return self.records[segment]

    def step_volts(self, channel: Channel) -> float:
        """Return volts per converter step."""
        return channel.range / self.model.levels

    def codes(
        self,
        number: int,
        segment: int = 0,
        start: int = 0,
        count: int | None = None,
        every: int = 1,
    ) -> Codes:
        """Return converter codes of one input, 0 = centre of the range. Shape (count,).

        Saturated samples hold ``code_low`` or ``code_high``, or one beyond where the model marks
        them. ``every`` takes each n-th sample only.
        """
        record = self.record(segment)
        if count is None:
            count = -(-(record.timing.samples - start) // every)
        pieces = list(self.pieces(number, segment, start, count, every))
        return np.concatenate(pieces) if pieces else np.zeros(0, np.int16)

    def pieces(
        self, number: int, segment: int, start: int, count: int, every: int = 1
    ) -> Iterator[Codes]:
        """Yield converter codes of one input piece by piece, 0 = centre of the range.

        Saturated samples hold ``code_low`` or ``code_high``. ``every`` takes each n-th sample
        only; the noise belongs to the stride. Pieces far behind the event repeat their noise.
        """
        record = self.record(segment)
        phase, first = start % every, start // every
        whole = -(-(record.timing.samples - phase) // every)
        while count > 0 and first < whole:
            piece, inside = divmod(first, PIECE)
            full = whole >= (piece + 1) * PIECE
            codes = self._kept(
                record, number, phase, min(piece, REPEAT_FROM) if full else piece, every
            )
            part = codes[inside : inside + count] if inside or count < len(codes) else codes
            yield part
            first, count = first + len(part), count - len(part)

    def _kept(self, record: Record, number: int, phase: int, piece: int, every: int) -> Codes:
        """Return one piece of a record; what was read once is read the same again."""
        key = (record.snapshot.event, number, phase, piece, every)
        if key not in self._pieces:
            first = phase + piece * PIECE * every
            count = min(PIECE, -(-(record.timing.samples - first) // every))
            while len(self._pieces) >= KEPT:
                self._pieces.pop(next(iter(self._pieces)))
            self._pieces[key] = self._piece(record, number, first, count, every)
        return self._pieces[key]

    def _piece(self, record: Record, number: int, first: int, count: int, every: int) -> Codes:
        channel, timing, model = record.channels[number - 1], record.timing, self.model
        begin = record.trigger + timing.start + record.lag + first * timing.step
        volts = self.circuit.input_volts(
            number,
            record.snapshot,
            begin,
            timing.step * every,
            count,
            channel.bandwidth,
            chunk=first,
        )
        random = self._random(record.snapshot, number, first)
        noise = random.standard_normal(count, dtype=np.float32)
        volts += noise * np.float32(self._front_end_noise(channel))
        gain, offset = self._errors(number, channel.range)
        step = self.step_volts(channel)
        scaled = volts * np.float32(gain / step)
        scaled += np.float32((offset - channel.offset) / step)
        np.rint(scaled, out=scaled)
        np.clip(scaled, model.code_low, model.code_high, out=scaled)
        return scaled.astype(np.int16)

    def _front_end_noise(self, channel: Channel) -> float:
        fixed, relative = self.model.noise
        share = min(1.0, (channel.bandwidth or self.model.bandwidth) / self.model.bandwidth)
        return float(np.hypot(fixed, relative * channel.range) * np.sqrt(share))

    def _errors(self, number: int, full_scale: float) -> tuple[float, float]:
        """Return the gain and the offset [V] that this unit really has at one range."""
        key = (self.circuit.seed, 77, number, round(full_scale * 1e6))
        draw = np.random.default_rng(key).uniform(-1, 1, 2)
        model = self.model
        return 1 + draw[0] * model.gain_accuracy, draw[1] * model.offset_accuracy * full_scale

    def _random(self, snapshot: Snapshot, *numbers: int) -> np.random.Generator:
        key = (self.circuit.seed, 78, snapshot.event, *numbers)
        return np.random.Generator(np.random.SFC64(np.random.SeedSequence(key)))
