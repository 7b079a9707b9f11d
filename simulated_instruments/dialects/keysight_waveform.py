"""What the twins of the ``:WAVeform:PREamble`` families send: preamble, data and time tags.

The rules are those that `simulated_instruments.dialects.keysight_infiniivision` names.
"""

from __future__ import annotations

import math

import numpy as np

from simulated_instruments.digitiser import Codes, Record
from simulated_instruments.scope import SimulatedScope, as_bytes, encoded, nr3
from simulated_instruments.scpi import Block, Buffer, Command, Suffixes
from simulated_instruments.status import ScpiError
from simulated_instruments.values import Choice, Number, Source

SCREEN_POINTS = (100, 250, 500, 1000)
MEMORY_POINTS = (*SCREEN_POINTS, *(m * 10**e for e in (3, 4, 5, 6) for m in (2, 5, 10)))


class KeysightWaveform(SimulatedScope):
    """The part of the twin that is about data; which record there is, the other part decides."""

    _segmented: bool
    _index: int

    def reset_data(self) -> None:
        """Choose what ``*RST`` does: the first input, unsigned bytes, 1000 points."""
        self._source, self._format, self._order = 1, "BYTE", "MSBF"
        self._unsigned, self._mode, self._points = True, "NORM", 1000

    def waveform_table(self) -> tuple[Command, ...]:
        """Return the commands that choose and send a waveform."""
        return (
            Command("WAVeform:SOURce", (Source("CHANnel"),), self._set_source, self._source_name),
            self.choose("WAVeform:FORMat", "BYTE|WORD|ASCii", "_format"),
            self.switch("WAVeform:UNSigned", "_unsigned"),
            self.choose("WAVeform:BYTeorder", "MSBFirst|LSBFirst", "_order"),
            Command(
                "WAVeform:POINts:MODE",
                (Choice("NORMal|MAXimum|RAW"),),
                self._set_points_mode,
                lambda _: self._mode,
            ),
            Command(
                "WAVeform:POINts",
                (Number(special=(("MAXimum", math.inf),)),),
                self._set_points,
                lambda _: str(self._transfer()[1]),
            ),
            Command("WAVeform:PREamble", query=self._preamble),
            Command("WAVeform:DATA", query=self._data),
            Command("WAVeform:TYPE", query=lambda _: "NORM"),
            Command("WAVeform:XINCrement", query=lambda _: self._preamble(()).split(",")[4]),
            Command("WAVeform:XORigin", query=lambda _: self._preamble(()).split(",")[5]),
            Command("WAVeform:XREFerence", query=lambda _: self._preamble(()).split(",")[6]),
            Command("WAVeform:YINCrement", query=lambda _: self._preamble(()).split(",")[7]),
            Command("WAVeform:YORigin", query=lambda _: self._preamble(()).split(",")[8]),
            Command("WAVeform:YREFerence", query=lambda _: self._preamble(()).split(",")[9]),
            Command(
                "WAVeform:SEGMented:COUNt",
                query=lambda _: str(len(self.acquisition.records) if self._segmented else 0),
            ),
            Command("WAVeform:SEGMented:TTAG", query=self._time_tag),
        )

    # -- waveform ----------------------------------------------------------------------------------
    def _set_source(self, _: Suffixes, number: int) -> None:
        self.acquisition.channel(number)
        self._source = number

    def _source_name(self, _: Suffixes) -> str:
        return f"CHAN{self._source}"

    def _set_points_mode(self, _: Suffixes, mode: str) -> None:
        self._mode = mode
        if mode == "NORM":
            self._points = min(self._points, 1000)

    def _set_points(self, _: Suffixes, wanted: float) -> None:
        allowed = SCREEN_POINTS if self._mode == "NORM" else MEMORY_POINTS
        if math.isinf(wanted):
            self._mode = "MAX" if self._mode == "NORM" else self._mode
            self._points = MEMORY_POINTS[-1]
            return
        self._points = max([n for n in allowed if n <= wanted], default=allowed[0])
        if wanted < allowed[0]:
            raise ScpiError(-222, str(wanted))

    def _record(self) -> Record:
        if not self.acquisition.channel(self._source).enabled:
            raise ScpiError(-221, "the waveform source is not displayed")
        stopped = self.acquisition.stopped()
        if self._mode == "RAW" and not stopped:
            raise ScpiError(-221, "RAW needs a stopped acquisition")
        return self.acquisition.record(self._index - 1 if self._segmented else 0)

    def _transfer(self) -> tuple[int, int]:
        """Return (stride, points) of the next transfer."""
        samples = self.acquisition.told_timing().samples
        if self.acquisition.records and self.acquisition.stopped():
            samples = self.acquisition.records[0].timing.samples
        whole = self._mode == "RAW" or (self._mode == "MAX" and self.acquisition.stopped())
        points = self._points if whole else min(self._points, 1000)
        stride = max(1, -(-samples // points))
        return stride, samples // stride

    def _preamble(self, _: Suffixes) -> str:
        record, (stride, points) = self._record(), self._transfer()
        channel = record.channels[self._source - 1]
        kind = {"BYTE": 0, "WORD": 1, "ASC": 4}[self._format]
        shift = 256 if self._format == "WORD" else 1
        increment = self.acquisition.step_volts(channel) * channel.probe / shift
        reference = 128 * shift if self._unsigned else 0
        fields = (
            f"+{kind}",
            "+0",
            f"+{points}",
            "+1",
            f"{record.timing.step * stride:+.8E}",
            f"{record.timing.start:+.8E}",
            "+0",
            f"{increment:+.8E}",
            f"{channel.offset * channel.probe:+.8E}",
            f"+{reference}",
        )
        return ",".join(fields)

    def _data(self, _: Suffixes) -> Block:
        self._record()
        stride, points = self._transfer()
        segment = self._index - 1 if self._segmented else 0
        pieces = self.acquisition.pieces(self._source, segment, 0, points, stride)
        if self._format == "ASC":
            text = ",".join(f"{v:.5E}" for piece in pieces for v in self._volts(piece))
            return Block.of(text.encode(), digits=8)
        width = 2 if self._format == "WORD" else 1
        return Block(points * width, encoded(pieces, self._encode), digits=8)

    def _volts(self, codes: Codes) -> list[float]:
        channel = self._record().channels[self._source - 1]
        scale = self.acquisition.step_volts(channel)
        return [float(v) for v in (codes * scale + channel.offset) * channel.probe]

    def _encode(self, codes: Codes) -> Buffer:
        """Return the codes on the wire; clipped ones become 1 and 255 (0xFFFF)."""
        if self._format == "BYTE":
            return as_bytes((codes + (128 if self._unsigned else 0)).astype(np.uint8))
        words = (codes.astype(np.int32) + 128) << 8
        words[codes <= self.model.code_low] = 1
        words[codes >= self.model.code_high] = 0xFFFF
        order = ">" if self._order == "MSBF" else "<"
        return as_bytes((words - (0 if self._unsigned else 32768)).astype(f"{order}u2"))

    def _time_tag(self, _: Suffixes) -> str:
        records = self.acquisition.records
        if not records:
            raise ScpiError(-230)
        return nr3(records[self._index - 1].time - records[0].time)
