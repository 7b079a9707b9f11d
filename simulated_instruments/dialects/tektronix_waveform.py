"""What the twins of the ``CURVe?`` family send: preamble, curve and time stamps of frames.

The rules are those that `simulated_instruments.dialects.tektronix` names.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from simulated_instruments.digitiser import Channel, Codes, Record
from simulated_instruments.scope import SimulatedScope, as_bytes, encoded
from simulated_instruments.scpi import Block, Buffer, Command, Suffixes
from simulated_instruments.status import ScpiError
from simulated_instruments.values import Choice, Integer, Source

LEVELS = 25
"""Converter steps per division."""
ENCODINGS = {"RIB": (True, ">"), "RPB": (False, ">"), "SRI": (True, "<"), "SRP": (False, "<")}
PREAMBLE = (
    "BYT_Nr", "BIT_Nr", "ENCdg", "BN_Fmt", "BYT_Or", "WFId", "NR_Pt", "PT_Fmt", "XUNit", "XINcr",
    "XZEro", "PT_Off", "YUNit", "YMUlt", "YOFf", "YZEro", "NR_FR",
)  # fmt: skip


def value(number: float) -> str:
    """Return a number the way this family prints it."""
    return f"{number:.6E}"


class TektronixWaveform(SimulatedScope):
    """The part of the twin that is about data; which record there is, the other part decides."""

    _header: bool
    _length: int
    _frames_on: bool
    _positions: dict[int, float]
    _offsets: dict[int, float]

    def waveform_table(self) -> tuple[Command, ...]:
        """Return the commands that choose and send a waveform."""
        return (*self._data_table(), *self._preamble_table())

    def _data_table(self) -> tuple[Command, ...]:
        return (
            Command("DATa", (Choice("INIT"),), self._init_data),
            Command(
                "DATa:SOUrce", (Source("CH"),), self._set_source, lambda _: f"CH{self._source}"
            ),
            Command(
                "DATa:ENCdg",
                (Choice("RIBinary|RPBinary|SRIbinary|SRPbinary"),),
                lambda _, v: setattr(self, "_encoding", v),
                lambda _: self._encoding,
            ),
            Command("DATa:WIDth", (Integer(),), self._set_width, lambda _: str(self._width)),
            Command(
                "DATa:STARt",
                (Integer(),),
                lambda _, v: setattr(self, "_start", max(1, v)),
                lambda _: str(self._start),
            ),
            Command(
                "DATa:STOP",
                (Integer(),),
                lambda _, v: setattr(self, "_stop", max(1, v)),
                lambda _: str(self._stop),
            ),
            Command(
                "DATa:FRAMESTARt",
                (Integer(),),
                lambda _, v: setattr(self, "_frame_start", max(1, v)),
                lambda _: str(self._frame_start),
            ),
            Command(
                "DATa:FRAMESTOP",
                (Integer(),),
                lambda _, v: setattr(self, "_frame_stop", max(1, v)),
                lambda _: str(self._frame_stop),
            ),
            Command("CURVe", query=self._curve),
        )

    def _preamble_table(self) -> tuple[Command, ...]:
        return (
            Command("WFMOutpre", query=self._whole_preamble),
            *(
                Command(f"WFMOutpre:{name}", query=lambda _, key=name: self._preamble()[key])
                for name in PREAMBLE
            ),
        )

    # -- data --------------------------------------------------------------------------------------
    def reset_data(self) -> None:
        """Choose the first input's whole record, as ``DATa INIT`` and ``*RST`` do."""
        self._source, self._encoding, self._width = 1, "RIB", 1
        self._start, self._stop = 1, self._length
        self._frame_start, self._frame_stop = 1, 100_000

    def _init_data(self, _: Suffixes, _word: str) -> None:
        self.reset_data()

    def _set_source(self, _: Suffixes, number: int) -> None:
        self.acquisition.channel(number)
        self._source = number

    def _set_width(self, _: Suffixes, width: int) -> None:
        if width not in (1, 2):
            raise ScpiError(-222, str(width))
        self._width = width

    def _active(self) -> tuple[Record, Channel]:
        """Return the record to send; without one, this family answers nothing."""
        channel = self.acquisition.channel(self._source)
        if not channel.enabled or not self.acquisition.records:
            self.status.push(2244)
            raise ScpiError(420)
        record = self.acquisition.records[0]
        return record, record.channels[self._source - 1]

    def _window(self, record: Record) -> tuple[int, int]:
        """Return the first sample (from 0) and the number of samples to send."""
        last = min(self._stop, record.timing.samples)
        first = min(self._start, last)
        return first - 1, last - first + 1

    def _frame_numbers(self) -> range:
        count = len(self.acquisition.records)
        if not self._frames_on:
            return range(count and 1)
        return range(min(self._frame_start, count) - 1, min(self._frame_stop, count))

    def _preamble(self) -> dict[str, str]:
        record, channel = self._active()
        first, count = self._window(record)
        signed, order = ENCODINGS[self._encoding]
        shift = 256 if self._width == 2 else 1
        step = self.acquisition.step_volts(channel) * channel.probe
        position = self._positions[self._source] * LEVELS * shift
        text = f"Ch{self._source}, {channel.coupling} coupling, {count} points, Sample mode"
        return {
            "BYT_Nr": str(self._width),
            "BIT_Nr": str(8 * self._width),
            "ENCdg": "BINARY",
            "BN_Fmt": "RI" if signed else "RP",
            "BYT_Or": "MSB" if order == ">" else "LSB",
            "WFId": f'"{text}"',
            "NR_Pt": str(count),
            "PT_Fmt": "Y",
            "XUNit": '"s"',
            "XINcr": f"{record.timing.step:.10E}",
            "XZEro": f"{record.timing.start + record.lag + first * record.timing.step:.10E}",
            "PT_Off": str(round(-record.timing.start / record.timing.step) - first),
            "YUNit": '"V"',
            "YMUlt": f"{step / shift:.10E}",
            "YOFf": value(position + (0 if signed else 128 * shift)),
            "YZEro": f"{self._offsets[self._source] * channel.probe:.10E}",
            "NR_FR": str(len(self._frame_numbers())),
        }

    def _whole_preamble(self, _: Suffixes) -> str:
        fields = self._preamble()
        if not self._header:
            return ";".join(fields.values())
        return ";".join(f"{name.upper()} {text}" for name, text in fields.items())

    def _curve(self, _: Suffixes) -> Block:
        record, _channel = self._active()
        first, count = self._window(record)
        frames = self._frame_numbers()
        return Block(count * self._width * len(frames), self._pieces(frames, first, count))

    def _pieces(self, frames: range, first: int, count: int) -> Iterator[Buffer]:
        signed, order = ENCODINGS[self._encoding]
        for frame in frames:
            pieces = self.acquisition.pieces(self._source, frame, first, count)
            yield from encoded(pieces, lambda codes: _encode(codes, self._width, signed, order))

    def _time_stamps(self, suffixes: Suffixes, first: int, last: int) -> str:
        self.acquisition.channel(suffixes[0])
        low, high = sorted((first, last))
        stamps = (f'"{_stamp(r.time)}"' for r in self.acquisition.records[low - 1 : high])
        return ",".join((str(first), str(last), *stamps))


def _stamp(seconds: float) -> str:
    """Return an absolute time stamp to a picosecond, digits in threes, as this family prints it."""
    whole = int(seconds)
    digits = f"{round((seconds - whole) * 1e12):012d}"
    grouped = " ".join(digits[n : n + 3] for n in range(0, 12, 3))
    return f"25 NOV 2026 {8 + whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}.{grouped}"


def _encode(codes: Codes, width: int, signed: bool, order: str) -> Buffer:
    """Return the codes on the wire; 8-bit data asked for as two bytes have a zero low byte."""
    if width == 1:
        return as_bytes((codes + (0 if signed else 128)).astype(np.uint8))
    words = (codes.astype(np.int32) + (0 if signed else 128)) * 256
    return as_bytes(words.astype(f"{order}i2" if signed else f"{order}u2"))
