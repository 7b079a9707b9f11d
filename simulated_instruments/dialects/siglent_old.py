"""The twin of the older two-character family with ``C1:WF? DAT2``.

Rules from the makers' programming guides (as collected in the project's dialect facts, section
6): V = code * (vdiv/25) - offset with signed codes; the first point is at TRDL - TDIV * 14/2 and
the step is 1/SARA, both taken from settings, not from the record; ``DAT2`` is answered by
``ALL,`` and ``#9`` with nine digits, ended by two LFs; only bits 0 and 13 of ``INR?`` exist.
From memory: memory sizes and their words, ``SANU?``, the words of ``SAST?``.
"""

from __future__ import annotations

from simulated_instruments.acquisition import State
from simulated_instruments.dialects.two_character import TwoCharacterScope
from simulated_instruments.scope import as_bytes, encoded
from simulated_instruments.scpi import Block, Command, Response, Suffixes
from simulated_instruments.values import Choice, Raw, Source

SIZES = {"7K": 7_000, "70K": 70_000, "700K": 700_000, "7M": 7_000_000}
SIZES |= {"14K": 14_000, "140K": 140_000, "1.4M": 1_400_000, "14M": 14_000_000}


class SiglentOld(TwoCharacterScope):
    """QS-1104."""

    couplings = ("A1M", "A50", "D1M", "D50")

    def reset(self) -> None:
        """Do what ``*RST`` does."""
        super().reset()
        self._size = SIZES["14M"]
        self._retime()

    def own_table(self) -> tuple[Command, ...]:
        """Return the commands that only this family has."""
        return (
            Command("MSIZ", (Raw(),), self._set_size, self._memory),
            Command("SARA", query=lambda _: self._rate()),
            Command("SANU", query=lambda _: self._points(), asks=(Source("C"),), optional=1),
            Command("SAST", query=lambda _: self._sample_status()),
            self.remember("ACQW", Choice("SAMPLING"), "SAMPLING"),
            Command("C<n>:WF", query=self._waveform, asks=(Choice("DAT2|DESC|ALL"),)),
        )

    def execute(self, message: bytes) -> Response | None:
        """Carry out one message; a waveform ends with two LFs."""
        response = super().execute(message)
        if response is not None and response.block is not None:
            return Response(response.units, b"\n\n")
        return response

    def _set_size(self, _: Suffixes, word: str) -> None:
        if word.upper() not in SIZES:
            raise self.refuse(24, word)
        self._size = SIZES[word.upper()]
        self._retime()

    def _memory(self, _: Suffixes) -> str:
        return next(word for word, size in SIZES.items() if size == self._size)

    def _rate(self) -> str:
        return self.unit(1 / self.acquisition.timing.step, "Sa/s")

    def _points(self) -> str:
        return self.unit(float(self.acquisition.timing.samples), "pts")

    def _sample_status(self) -> str:
        if self.acquisition.stale:
            return "Stop"
        names = {State.ARMING: "Armed", State.WAITING: "Ready", State.TRIGGERED: "Trig'd"}
        return names.get(self.acquisition.state(), "Stop")

    def _waveform(self, suffixes: Suffixes, what: str) -> Block:
        channel = self.acquisition.channel(suffixes[0])
        if what != "DAT2":
            raise self.refuse(24, what)
        if not channel.enabled or not self.acquisition.records:
            raise self.refuse(22, "there is no such trace")
        first, count, stride = self.window(self.acquisition.record().timing.samples)
        pieces = self.acquisition.pieces(suffixes[0], 0, first, count, stride)
        return Block(count, encoded(pieces, lambda c: as_bytes(c.astype("i1"))), 9, b"ALL,")
