"""Teledyne LeCroy X-Stream and MAUI scopes: WaveRunner, WaveSurfer, HDO and relatives.

In kind: a binary descriptor stands ahead of the signed codes, in the same block, and says where
everything is; the codes of the grid's edges are told; each segment of a sequence has a time and a
first-point offset of its own.

Where the facts come from, and which stay unconfirmed on hardware: drivers/README.md.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from drivers import scpi
from drivers.decode import Limits, SeenCodes, clipping, signed_codes
from drivers.dialects.short_headers import ShortHeaderScope
from drivers.errors import AnswerError
from drivers.link import Bytes
from drivers.scope import AcquisitionRequest, AcquisitionState, TriggerTimes
from drivers.trace import Clipping, Trace

_DIVISIONS = 10
_DESCRIPTOR = 346  # bytes up to and including the last field of the published template
_PREFIX = 32  # characters that may stand ahead of the block: "C1:WF ALL,"
_SMALLEST_PERCENT = 0.01  # of pre-trigger; a delay of exactly zero means the centre on X-Stream

# Byte offsets in the descriptor, with their formats (L1, pages 282-284).
_FIELDS = {
    "COMM_TYPE": (32, "h"),
    "COMM_ORDER": (34, "h"),
    "WAVE_DESCRIPTOR": (36, "i"),
    "USER_TEXT": (40, "i"),
    "RES_DESC1": (44, "i"),
    "TRIGTIME_ARRAY": (48, "i"),
    "RIS_TIME_ARRAY": (52, "i"),
    "RES_ARRAY1": (56, "i"),
    "WAVE_ARRAY_1": (60, "i"),
    "WAVE_ARRAY_2": (64, "i"),
    "WAVE_ARRAY_COUNT": (116, "i"),
    "FIRST_VALID_PNT": (124, "i"),
    "LAST_VALID_PNT": (128, "i"),
    "SUBARRAY_COUNT": (144, "i"),
    "VERTICAL_GAIN": (156, "f"),
    "VERTICAL_OFFSET": (160, "f"),
    "MAX_VALUE": (164, "f"),
    "MIN_VALUE": (168, "f"),
    "HORIZ_INTERVAL": (176, "f"),
    "HORIZ_OFFSET": (180, "d"),
}


@dataclass(frozen=True, slots=True)
class Descriptor:
    """The fields of a waveform descriptor that matter.

    Attributes
    ----------
    width : bits of a code. big_endian : byte order of everything behind.
    times_at, times : where the TRIGTIME array stands, and its bytes.
    data_at, data : where the codes stand, and their bytes.
    points : number of codes. first_valid, last_valid : the codes that were really acquired.
    segments : that were acquired.
    """

    width: int
    big_endian: bool
    times_at: int
    times: int
    data_at: int
    data: int
    points: int
    first_valid: int
    last_valid: int
    segments: int
    gain: float
    offset: float
    code_high: float
    code_low: float
    step: float
    start: float


def descriptor(block: bytes) -> Descriptor:
    """Return what a descriptor says, after checking that it agrees with itself.

    Raises
    ------
    AnswerError
        If it is too short, no waveform descriptor, or its lengths contradict each other.
    """
    if len(block) < _DESCRIPTOR:
        raise AnswerError(f"a waveform descriptor has {_DESCRIPTOR} bytes, {len(block)} came")
    if not block.startswith(b"WAVEDESC"):
        raise AnswerError(f"expected a descriptor that opens with WAVEDESC, got {block[:16]!r}")
    # COMM_ORDER is 0 or 1 in either byte order: 1 (low byte first) reads 0x0100 the other way.
    order = "<" if block[34] else ">"
    found: dict[str, Any] = {
        name: struct.unpack_from(order + form, block, at)[0] for name, (at, form) in _FIELDS.items()
    }
    times_at = found["WAVE_DESCRIPTOR"] + found["USER_TEXT"] + found["RES_DESC1"]
    data_at = times_at + sum(
        found[name] for name in ("TRIGTIME_ARRAY", "RIS_TIME_ARRAY", "RES_ARRAY1")
    )
    made = Descriptor(
        width=16 if found["COMM_TYPE"] else 8,
        big_endian=order == ">",
        times_at=times_at,
        times=found["TRIGTIME_ARRAY"],
        data_at=data_at,
        data=found["WAVE_ARRAY_1"],
        points=found["WAVE_ARRAY_COUNT"],
        first_valid=found["FIRST_VALID_PNT"],
        last_valid=found["LAST_VALID_PNT"],
        segments=found["SUBARRAY_COUNT"],
        gain=found["VERTICAL_GAIN"],
        offset=found["VERTICAL_OFFSET"],
        code_high=found["MAX_VALUE"],
        code_low=found["MIN_VALUE"],
        step=found["HORIZ_INTERVAL"],
        start=found["HORIZ_OFFSET"],
    )
    numbers = (made.gain, made.offset, made.code_high, made.code_low, made.step, made.start)
    lengths = ("USER_TEXT", "RES_DESC1", "TRIGTIME_ARRAY", "RIS_TIME_ARRAY", "RES_ARRAY1",
               "WAVE_ARRAY_1", "WAVE_ARRAY_COUNT")  # fmt: skip
    if any(found[name] < 0 for name in lengths):
        raise AnswerError(f"the waveform descriptor states a length below zero: {found}")
    if found["WAVE_DESCRIPTOR"] < _DESCRIPTOR or made.data != made.points * made.width // 8:
        raise AnswerError(f"the waveform descriptor contradicts itself: {found}")
    if not all(map(math.isfinite, numbers)) or made.gain <= 0 or made.step <= 0:
        raise AnswerError(f"the waveform descriptor cannot scale a record: {found}")
    return made


def trigger_times(block: bytes, head: Descriptor) -> list[tuple[float, float]]:
    """Return (seconds from the first trigger, time of the first point) for each segment. [s]"""
    sign = ">" if head.big_endian else "<"
    array = block[head.times_at : head.times_at + head.times]
    return list(struct.iter_unpack(f"{sign}2d", array[: len(array) // 16 * 16]))


def trace(block: Bytes, bits: int, segment: int = 0) -> Trace:
    """Return the record of a whole ``WF? ALL`` block, which holds one segment.

    Raises
    ------
    AnswerError
        If the block is not as long as its descriptor says.
    """
    raw = block[:65536].tobytes()
    head = descriptor(raw)
    if block.size < head.data_at + head.data:
        raise AnswerError(
            f"the descriptor announces {head.data_at + head.data} bytes, the block has {block.size}"
        )
    data = block[head.data_at : head.data_at + head.data]
    codes = signed_codes(
        np.ascontiguousarray(data), width=head.width, unsigned=False, big_endian=head.big_endian
    )
    start = head.start
    if head.times:
        times = trigger_times(block[: head.data_at].tobytes(), head)
        wanted = segment if len(times) > 1 else 0
        if wanted >= len(times):
            raise AnswerError(f"{len(times)} trigger times came, segment {segment} is not there")
        start = times[wanted][1]
    high, low = math.floor(head.code_high), math.ceil(head.code_low)
    found = clipping(SeenCodes.of(codes), Limits(low, high, "grid edge"))
    valid = head.last_valid - head.first_valid + 1
    return Trace(
        codes=codes,
        gain=head.gain,
        offset=-head.offset,
        start=start,
        step=head.step,
        bits=bits,
        code_low=low + 1,
        code_high=high - 1,
        clipping=Clipping(found.evidence, found.high, found.low, max(head.points - valid, 0)),
        preamble=repr(head),
    )


class LeCroy(ShortHeaderScope):
    """One X-Stream or MAUI scope."""

    FORCE = "FRTR"
    ERROR_REGISTERS: ClassVar[tuple[str, ...]] = ("CMR", "EXR")
    SETTINGS: ClassVar[tuple[str, ...]] = (
        "C{n}:TRA?",
        "C{n}:VDIV?",
        "C{n}:OFST?",
        "C{n}:CPL?",
        "C{n}:ATTN?",
        "BWL?",
        "TDIV?",
        "TRDL?",
        "MSIZ?",
        "SEQ?",
        "CFMT?",
        "CORD?",
        "TRMD?",
        "TRSE?",
    )

    def configure_acquisition(self, wanted: AcquisitionRequest) -> AcquisitionState:
        """Set up time base, memory and sequence."""
        self.check_segments(wanted)
        with self.configuring("setting up the acquisition"):
            self.link.write("TRMD STOP")
            if self.profile.maximum_segments > 1:
                many = wanted.segments > 1
                self.link.write(f"SEQ ON,{wanted.segments}" if many else "SEQ OFF")
            # A record that begins after the trigger is lengthened to begin with it: from where
            # post-trigger seconds are counted, the manual's own sentences differ (see README).
            late = max(wanted.acquisition_start_time, 0.0)
            scale = self.set_at_least(
                (wanted.time_per_record + late) / _DIVISIONS,
                "TDIV {}",
                "TDIV?",
                scpi.suffixed_number,
            )
            span = scale * _DIVISIONS
            length = self.profile.record_length_for(span * wanted.minimum_sample_rate)
            self.set_all(
                f"MSIZ {length}", f"TRDL {delay_words(wanted.acquisition_start_time, span)}"
            )
            got = self._acquisition(wanted.segments)
        self.check_acquisition(wanted, got)
        return got

    def _acquisition(self, segments: int) -> AcquisitionState:
        """Read back what can be; this family tells the sample rate only with a record."""
        ask = self.link.ask
        span = ask("TDIV?", scpi.suffixed_number) * _DIVISIONS
        memory = ask("MSIZ?", scpi.suffixed_number)
        rate = min(memory / span, self.profile.maximum_sample_rate)
        delay = ask("TRDL?", scpi.suffixed_number)
        start = -delay / 100 * span
        if segments > 1:
            segments = ask("SEQ?", _sequence)
        return AcquisitionState(round(rate * span), rate, span, start, segments)

    def fetch(self, channel: int, segment: int = 0) -> Trace:
        """Read descriptor and codes of one segment in one block."""
        self.check_channel_number(channel)
        self.check_segment(segment)
        width = self.profile.code_bits
        self._choose(segment + 1 if self._segments > 1 else 0)
        block = self._waveform(channel, "ALL")
        with self.naming_the_instrument():
            made = trace(block, self.profile.bits, segment)
            if made.codes.dtype.itemsize * 8 != width:
                raise AnswerError(f"codes of {width} bits were asked for, others came")
            return self.as_configured(made)

    def _choose(self, segment: int) -> None:
        """Say how and which segment to send: all of it, every point; 0 = all segments."""
        word = "WORD" if self.profile.code_bits == 16 else "BYTE"
        self.set_all(f"CFMT DEF9,{word},BIN", "CORD LO")
        window = f"SP,0,NP,0,FP,0,SN,{segment}"
        self.link.write(f"WFSU {window}")
        answer = self.link.query("WFSU?")
        if not answer.replace(" ", "").upper().endswith(window):
            raise AnswerError(
                f"WFSU reads back as {scpi.shown(answer)} after {window} was set; other data than "
                "those that were asked for would come",
                instrument=self.link.label,
            )

    def _waveform(self, channel: int, part: str) -> Bytes:
        limit = 4 * self.profile.maximum_record_length + (1 << 20)
        return self.link.query_block(f"C{channel}:WF? {part}", limit=limit, prefix=_PREFIX)

    def count_segments(self) -> int:
        """Ask the descriptor how many segments were acquired."""
        self._choose(0)
        block = self._waveform(min(self._enabled, default=1), "DESC").tobytes()
        with self.naming_the_instrument():
            return descriptor(block).segments

    def segment_times(self) -> TriggerTimes:
        """Ask for the array of trigger times: seconds from the first, with an offset each."""
        self._choose(0)
        array = self._waveform(min(self._enabled, default=1), "TIME").tobytes()
        with self.naming_the_instrument():
            if not array or len(array) % 16:
                raise AnswerError(f"a trigger time has 16 bytes, {len(array)} came")
            pairs = struct.iter_unpack("<2d", array)
            return TriggerTimes(tuple(seconds for seconds, _ in pairs), "instrument")


def delay_words(start: float, span: float) -> str:
    """Return the value of ``TRDL`` in percent of pre-trigger.

    Exactly zero would mean the centre of the grid on X-Stream and its left edge on older scopes
    (L1, page 238); a hair beside it means the left edge on all.
    """
    return f"{min(max(-start / span * 100, _SMALLEST_PERCENT), 100.0):.4f}"


def _sequence(answer: str) -> int:
    """Return the number of segments from an answer such as ``ON,50,1E+5``."""
    words = answer.split(",")
    if len(words) < 2 or words[0].strip().upper() != "ON":
        raise AnswerError(f"expected a sequence that is on, got {scpi.shown(answer)}")
    return scpi.integer(words[1])
