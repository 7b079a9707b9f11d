"""The twin of the family that sends a binary descriptor ahead of the data.

Rules from the makers' manuals (as collected in the project's dialect facts, section 9): codes
are signed, BYTE is the high byte of the 16-bit value; V = VERTICAL_GAIN * code -
VERTICAL_OFFSET; t = HORIZ_OFFSET + i * HORIZ_INTERVAL; MAX_VALUE and MIN_VALUE are the codes of
the grid's edges and the converter saturates further out; a sequence carries a TRIGTIME array
with a time and an offset of its own for each segment; probe attenuation is not in OFST; TRDL is
a percentage when positive and seconds when negative; descriptor lengths stand in the descriptor
(this one is 350 bytes, with reserved bytes at its end). From memory: everything about ``MSIZ``
and ``SEQ``, CFMT and CORD at reset, WAVE_SOURCE numbers.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

import numpy as np

from simulated_instruments.dialects.two_character import TwoCharacterScope
from simulated_instruments.digitiser import Codes, Record
from simulated_instruments.models import MAKER
from simulated_instruments.scope import as_bytes, encoded
from simulated_instruments.scpi import Block, Buffer, Command, Suffixes
from simulated_instruments.status import ScpiError
from simulated_instruments.values import Choice, Integer, Number, Raw

DESCRIPTOR = 350
GRID_EDGE = 2000
"""Converter steps from the centre of the grid to its edge."""
WORD_SHIFT = 16
"""The 12-bit converter fills the upper bits of a 16-bit code."""


class Lecroy(TwoCharacterScope):
    """QD-4034."""

    aliases = (
        ("CHDR", "COMM_HEADER"),
        ("VDIV", "VOLT_DIV"),
        ("OFST", "OFFSET"),
        ("CPL", "COUPLING"),
        ("TRA", "TRACE"),
        ("ATTN", "ATTENUATION"),
        ("BWL", "BANDWIDTH_LIMIT"),
        ("TDIV", "TIME_DIV"),
        ("TRDL", "TRIG_DELAY"),
        ("TRMD", "TRIG_MODE"),
        ("TRSE", "TRIG_SELECT"),
        ("TRLV", "TRIG_LEVEL"),
        ("TRSL", "TRIG_SLOPE"),
        ("ARM", "ARM_ACQUISITION"),
        ("FRTR", "FORCE_TRIGGER"),
        ("CFMT", "COMM_FORMAT"),
        ("CORD", "COMM_ORDER"),
        ("MSIZ", "MEMORY_SIZE"),
        ("WFSU", "WAVEFORM_SETUP"),
        ("WF", "WAVEFORM"),
        ("SEQ", "SEQUENCE"),
    )

    def reset(self) -> None:
        """Do what ``*RST`` does."""
        self._word, self._order, self._sequence = False, "HI", 0
        super().reset()
        self._size = 100_000
        self._retime()

    def own_table(self) -> tuple[Command, ...]:
        """Return the commands that only this family has."""
        return (
            Command("CFMT", (Raw(), Raw(), Raw()), self._set_format, self._format),
            Command(
                "CORD",
                (Choice("HI|LO"),),
                lambda _, v: setattr(self, "_order", v),
                lambda _: self._order,
            ),
            Command("MSIZ", (Number("SA"),), self._set_size, lambda _: f"{self._size:g}"),
            Command(
                "SEQ",
                (Raw(), Integer(), Raw()),
                self._set_sequence,
                self._sequence_state,
                optional=2,
            ),
            Command("WAIT", (Number("S"),), self._wait, optional=1),
            Command("C<n>:WF", query=self._waveform, asks=(Choice("ALL|DESC|DAT1|TIME"),)),
        )

    # -- settings ------------------------------------------------------------------------------
    def _set_format(self, _: Suffixes, block: str, width: str, coding: str) -> None:
        wanted = (block.upper(), width.upper(), coding.upper())
        if wanted[0] != "DEF9" or wanted[1] not in ("BYTE", "WORD") or wanted[2] != "BIN":
            raise self.refuse(24, ",".join(wanted))
        self._word = wanted[1] == "WORD"

    def _format(self, _: Suffixes) -> str:
        return f"DEF9,{'WORD' if self._word else 'BYTE'},BIN"

    def _set_size(self, _: Suffixes, samples: float) -> None:
        lengths = self.model.record_lengths
        self._size = min(lengths, key=lambda n: abs(n - samples))
        self._adapted |= self._size != samples
        self._retime()

    def _set_sequence(self, _: Suffixes, word: str, count: int = 2, _size: str = "") -> None:
        if word.upper() not in ("ON", "OFF"):
            raise self.refuse(24, word)
        self._sequence = min(max(count, 2), self.model.maximum_segments) * (word.upper() == "ON")
        self._retime()

    def _sequence_state(self, _: Suffixes) -> str:
        count = self._sequence or 2
        return f"{'ON' if self._sequence else 'OFF'},{count},{self._size}"

    def segments(self) -> int:
        """Return how many records one arming takes."""
        return self._sequence or 1

    def centre_time(self) -> float:
        """Return the time at the centre of the screen: TRDL is a percentage or negative seconds."""
        if self._delay <= 0:
            return -self._delay
        span = self._division * self.model.horizontal_divisions
        return span * (0.5 - min(self._delay, 100.0) / 100)

    def _wait(self, _: Suffixes, seconds: float = 0.0) -> None:
        del seconds  # the longest wait; the server ends it when the client goes
        self.wait(self.acquisition.stopped)

    def _set_offset(self, suffixes: Suffixes, volts: float) -> None:
        """Set the offset without the probe's attenuation."""
        probe = self.acquisition.channel(suffixes[0]).probe
        super()._set_offset(suffixes, volts * probe)

    def _offset(self, suffixes: Suffixes) -> str:
        return self.unit(-self.acquisition.channel(suffixes[0]).offset + 0.0, "V")

    # -- waveform ------------------------------------------------------------------------------
    def _waveform(self, suffixes: Suffixes, what: str) -> Block:
        channel = self.acquisition.channel(suffixes[0])
        if not channel.enabled or not self.acquisition.records:
            raise self.refuse(22, "there is no such trace")
        records = self._chosen()
        times = self._trigger_times(records)
        first, count, stride = self.window(records[0].timing.samples)
        width = 2 if self._word else 1
        data = count * width * len(records)
        if what == "TIME":
            return Block.of(times, 9, b"TIME,")
        if what == "DAT1":
            return Block(data, self._data(suffixes[0], first, count, stride), 9, b"DAT1,")
        head = self._descriptor(suffixes[0], records, len(times), data, count)
        if what == "DESC":
            return Block.of(head, 9, b"DESC,")
        return Block(
            len(head) + len(times) + data,
            self._all(head + times, self._data(suffixes[0], first, count, stride)),
            9,
            b"ALL,",
        )

    @staticmethod
    def _all(head: bytes, data: Iterator[Buffer]) -> Iterator[Buffer]:
        yield head
        yield from data

    def _chosen(self) -> list[Record]:
        """Return all segments, or the one that ``WFSU SN`` asks for."""
        records = self.acquisition.records
        if not self._segment:
            return records
        if self._segment > len(records):
            raise ScpiError(-222, f"segment {self._segment}")
        return [records[self._segment - 1]]

    def _x_offset(self, record: Record) -> float:
        return record.timing.start + record.lag + self._first * record.timing.step

    def _trigger_times(self, records: list[Record]) -> bytes:
        """Return the TRIGTIME array: seconds from the first trigger, and each one's own offset."""
        if not self._sequence:
            return b""
        start = self.acquisition.records[0].time
        pairs = [v for r in records for v in (r.time - start, self._x_offset(r))]
        return struct.pack(f"{self._sign()}{len(pairs)}d", *pairs)

    def _sign(self) -> str:
        return ">" if self._order == "HI" else "<"

    def _descriptor(
        self, number: int, records: list[Record], times: int, data: int, count: int
    ) -> bytes:
        record, channel = records[0], records[0].channels[number - 1]
        step = self.acquisition.step_volts(channel) * channel.probe
        shift = 1 if self._word else 256
        whole = DESCRIPTOR_FIELDS | {
            32: ("h", int(self._word)),
            34: ("h", int(self._order == "LO")),
            48: ("i", times),
            60: ("i", data),
            76: ("16s", f"{MAKER}"[:15].encode()),
            92: ("i", self.acquisition.circuit.seed),
            116: ("i", count * len(records)),
            120: ("i", count),
            128: ("i", count * len(records) - 1),
            132: ("i", self._first),
            136: ("i", max(1, self._sparse)),
            140: ("h", self._segment),
            144: ("i", len(records)),
            156: ("f", step / WORD_SHIFT * shift),
            160: ("f", -channel.offset * channel.probe),
            164: ("f", GRID_EDGE * WORD_SHIFT / shift),
            168: ("f", -GRID_EDGE * WORD_SHIFT / shift),
            172: ("h", self.model.bits),
            174: ("h", self.segments()),
            176: ("f", record.timing.step * max(1, self._sparse)),
            180: ("d", self._x_offset(record)),
            312: ("f", records[-1].time - records[0].time),
            328: ("f", channel.probe),
            344: ("h", number - 1),
        }
        blob = bytearray(DESCRIPTOR)
        for place, (kind, value) in whole.items():
            struct.pack_into(self._sign() + kind, blob, place, value)
        return bytes(blob)

    def _data(self, number: int, first: int, count: int, stride: int) -> Iterator[Buffer]:
        chosen = range(len(self.acquisition.records))
        for segment in chosen if not self._segment else [self._segment - 1]:
            pieces = self.acquisition.pieces(number, segment, first, count, stride)
            yield from encoded(pieces, self._encode)

    def _encode(self, codes: Codes) -> Buffer:
        words = codes.astype(np.int32) * WORD_SHIFT
        return as_bytes(
            words.astype(f"{self._sign()}i2") if self._word else (words >> 8).astype("i1")
        )


DESCRIPTOR_FIELDS: dict[int, tuple[str, bytes | int | float]] = {
    0: ("16s", b"WAVEDESC"),
    16: ("16s", b"QUILLMOOR_2_3"),
    36: ("i", DESCRIPTOR),
    40: ("i", 0),
    52: ("i", 0),
    124: ("i", 0),
    148: ("i", 1),
    196: ("48s", b"V"),
    244: ("48s", b"S"),
    292: ("f", 1e-12),
    316: ("h", 0),
    324: ("h", 0),
    326: ("h", 0),
}
