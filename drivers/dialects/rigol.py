"""Rigol DS and MSO: 1000Z, 2000, 4000, 5000, 7000.

In kind: the same ten-number preamble as Keysight's, with another meaning: the origin is in codes,
and the third number tells how it was read. A positive offset moves the trace up. Memory is read in
pieces. Nothing tells for certain that an arming was taken.

Where the facts come from, and which stay unconfirmed on hardware: drivers/README.md.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from drivers import scpi
from drivers.decode import CodeReader, Limits, SeenCodes, clipping, saturating_trace
from drivers.errors import AnswerError
from drivers.scope import (
    AcquisitionRequest,
    AcquisitionState,
    AcquisitionStatus,
    ChannelSettings,
    Coupling,
    Slope,
    TriggerSettings,
    TriggerSource,
    TriggerTimes,
)
from drivers.scpi_scope import ScpiScope
from drivers.trace import Trace

_POINTS_PER_READ = {8: 250_000, 16: 125_000}  # 1000Z; later models allow more
_FORMATS = {0.0: 8, 1.0: 16}
_BANDWIDTH_LIMIT = 20e6  # Hz
_SURELY_TAKEN = 0.3  # seconds after which a stop can no longer be the one before arming
_COUPLINGS: dict[str, Coupling] = {"DC": "DC", "AC": "AC"}
_IMPEDANCES = {"OMEG": 1e6, "FIFTy": 50.0}
_SLOPES: dict[str, Slope] = {"POSitive": "positive", "NEGative": "negative"}
_STATES = {
    "RUN": AcquisitionStatus.ARMING,
    "WAIT": AcquisitionStatus.WAITING,
    "TD": AcquisitionStatus.TRIGGERED,
    "T'D": AcquisitionStatus.TRIGGERED,
    "AUTO": AcquisitionStatus.UNKNOWN,
    "SCAN": AcquisitionStatus.UNKNOWN,
    "STOP": AcquisitionStatus.COMPLETE,
}


@dataclass(frozen=True, slots=True)
class Scaling:
    """The preamble's numbers that matter, as printed."""

    width: int
    points: int
    x_increment: float
    x_origin: float
    x_reference: float
    y_increment: float
    y_origin: float
    y_reference: float

    def volts(self, code: float) -> float:
        """Return the volts of an unsigned code: (code - yreference - yorigin) * yincrement. [V]"""
        return (code - self.y_reference - self.y_origin) * self.y_increment

    @property
    def offset(self) -> float:
        """Return the volts at *signed* code 0. [V]"""
        return self.volts(1 << (self.width - 1))

    @property
    def start(self) -> float:
        """Return the time of sample 0. [s]"""
        return self.x_origin - self.x_reference * self.x_increment


def scaling(preamble: str) -> Scaling:
    """Return what ``:WAVeform:PREamble?`` says.

    Raises
    ------
    AnswerError
        If there are not ten ordinary numbers, or the data are neither BYTE nor WORD.
    """
    fields = scpi.numbers(preamble, 10)
    width = _FORMATS.get(fields[0])
    if width is None:
        raise AnswerError(f"the preamble's format is {fields[0]:g}; 0 (BYTE) or 1 (WORD) expected")
    if not all(np.isfinite(fields)) or fields[4] <= 0 or fields[7] <= 0:
        raise AnswerError(f"the preamble cannot scale a record: {scpi.shown(preamble, 120)}")
    return Scaling(width, int(fields[2]), *fields[4:])


def trace(seen: SeenCodes, scale: Scaling, bits: int, preamble: str) -> Trace:
    """Return the record that codes and preamble describe.

    An 8-bit converter's codes stand in the *low* byte of a word, not in the high one.
    """
    low_justified = scale.width == 16 and bits <= 8
    made = saturating_trace(
        seen,
        gain=scale.y_increment,
        offset=scale.offset,
        start=scale.start,
        step=scale.x_increment,
        bits=scale.width if low_justified else bits,
        width=scale.width,
        preamble=preamble,
    )
    if not low_justified:
        return made
    low, high = -(1 << 15), 255 - (1 << 15)
    return Trace(
        codes=made.codes,
        gain=made.gain,
        offset=made.offset,
        start=made.start,
        step=made.step,
        bits=bits,
        code_low=low + 1,
        code_high=high - 1,
        clipping=clipping(seen, Limits(low, high, "end codes")),
        preamble=preamble,
    )


class Rigol(ScpiScope):
    """One Rigol scope."""

    FORCE = ":TFORce"
    SETTINGS: ClassVar[tuple[str, ...]] = (
        ":CHANnel{n}:DISPlay?",
        ":CHANnel{n}:SCALe?",
        ":CHANnel{n}:OFFSet?",
        ":CHANnel{n}:COUPling?",
        ":CHANnel{n}:BWLimit?",
        ":CHANnel{n}:PROBe?",
        ":CHANnel{n}:UNITs?",
        ":CHANnel{n}:INVert?",
        ":TIMebase:MODE?",
        ":TIMebase:MAIN:SCALe?",
        ":TIMebase:MAIN:OFFSet?",
        ":ACQuire:TYPE?",
        ":ACQuire:MDEPth?",
        ":ACQuire:SRATe?",
        ":TRIGger:MODE?",
        ":TRIGger:SWEep?",
        ":TRIGger:COUPling?",
        ":TRIGger:EDGe:SOURce?",
        ":TRIGger:EDGe:SLOPe?",
        ":TRIGger:EDGe:LEVel?",
    )

    def after_reset(self) -> None:
        """Stop; no automatic sweep from here on."""
        self.set_all(":STOP", ":TRIGger:SWEep NORMal")

    # -- configuration ---------------------------------------------------------------------------
    def configure_channel(self, wanted: ChannelSettings) -> ChannelSettings:
        """Set up one input and return what was read back."""
        self.check_channel(wanted)
        root = f":CHANnel{wanted.channel}"
        limited = self.check_bandwidth_limit(wanted, _BANDWIDTH_LIMIT)
        with self.configuring(f"setting up channel {wanted.channel}"):
            if not self.impedance_is_fixed:
                word = "FIFTy" if wanted.input_impedance == 50.0 else "OMEG"
                self.link.write(f"{root}:IMPedance {word}")
            self.set_all(
                f"{root}:PROBe 1",
                f"{root}:UNITs VOLTage",
                f"{root}:INVert OFF",
                f"{root}:COUPling {wanted.coupling}",
                f"{root}:BWLimit {'20M' if limited else 'OFF'}",
                f"{root}:SCALe {wanted.vertical_range / self.profile.vertical_divisions:.6E}",
                f"{root}:OFFSet {-wanted.vertical_offset:.6E}",
                f"{root}:DISPlay {'ON' if wanted.enabled else 'OFF'}",
            )
            got = self._channel(wanted.channel)
        return self.enable(got)

    def _channel(self, channel: int) -> ChannelSettings:
        root, ask = f":CHANnel{channel}", self.link.ask
        return ChannelSettings(
            channel,
            ask(f"{root}:SCALe?", scpi.positive) * self.profile.vertical_divisions,
            0.0 - ask(f"{root}:OFFSet?", scpi.number),
            ask(f"{root}:COUPling?", lambda a: scpi.keyword(a, _COUPLINGS)),
            ask(f"{root}:IMPedance?", lambda a: scpi.keyword(a, _IMPEDANCES))
            if not self.impedance_is_fixed
            else self.profile.input_impedances[0],
            ask(f"{root}:BWLimit?", _bandwidth_limit),
            ask(f"{root}:DISPlay?", scpi.boolean),
        )

    def configure_acquisition(self, wanted: AcquisitionRequest) -> AcquisitionState:
        """Set up time base and memory depth; the sample rate is their ratio."""
        self.check_segments(wanted)
        divisions = self.profile.horizontal_divisions
        with self.configuring("setting up the acquisition"):
            self.set_all(":STOP", ":ACQuire:TYPE NORMal", ":TIMebase:MODE MAIN")
            self._set_frames(wanted.segments)
            scale = self.set_at_least(
                wanted.time_per_record / divisions,
                ":TIMebase:MAIN:SCALe {}",
                ":TIMebase:MAIN:SCALe?",
            )
            middle = wanted.acquisition_start_time + scale * divisions / 2
            depth = self._depth(scale * divisions * wanted.minimum_sample_rate)
            self.set_all(f":TIMebase:MAIN:OFFSet {middle:.9E}", f":ACQuire:MDEPth {depth}")
            got = self._acquisition(wanted.segments)
        self.check_acquisition(wanted, got)
        return got

    def _depth(self, samples: float) -> int:
        """Return a memory depth that holds so many samples; inputs in use share the memory."""
        in_use = len(self._enabled)
        share = 1 if in_use <= 1 else 2 if in_use == 2 else 4
        return self.profile.record_length_for(samples * share) // share

    def _set_frames(self, segments: int) -> None:
        if self.profile.maximum_segments == 1:
            return
        self.link.write(f":FUNCtion:WRECord:ENABle {'ON' if segments > 1 else 'OFF'}")
        if segments > 1:
            self.link.write(f":FUNCtion:WRECord:FEND {segments}")

    def _acquisition(self, segments: int) -> AcquisitionState:
        """Read back the next record; a stopped unit reports the rate of the one that it holds."""
        ask = self.link.ask
        scale = ask(":TIMebase:MAIN:SCALe?", scpi.positive)
        span = scale * self.profile.horizontal_divisions
        middle = ask(":TIMebase:MAIN:OFFSet?", scpi.number)
        self.link.write(":SINGle")
        rate = ask(":ACQuire:SRATe?", scpi.positive)
        self.link.write(":STOP")
        if segments > 1:
            segments = ask(":FUNCtion:WRECord:FEND?", scpi.integer)
        return AcquisitionState(round(rate * span), rate, span, middle - span / 2, segments)

    def configure_edge_trigger(self, wanted: TriggerSettings) -> TriggerSettings:
        """Set up a normal-sweep edge trigger and return what was read back."""
        if wanted.source == "external":
            source = "EXT"
        else:
            self.check_channel_number(wanted.source)
            source = f"CHANnel{wanted.source}"
        slope = {meaning: word for word, meaning in _SLOPES.items()}[wanted.slope]
        with self.configuring("setting up the trigger"):
            self.set_all(
                ":TRIGger:MODE EDGE",
                ":TRIGger:SWEep NORMal",
                ":TRIGger:COUPling DC",
                f":TRIGger:EDGe:SOURce {source}",
                f":TRIGger:EDGe:SLOPe {slope}",
                f":TRIGger:EDGe:LEVel {wanted.level:.6E}",
            )
            sweep = self.link.query(":TRIGger:SWEep?")
            self.check_normal_sweep(sweep.strip().upper().startswith("NORM"), sweep)
            self.link.write(":STOP")  # NORMal starts the acquisition
            return TriggerSettings(
                self.link.ask(":TRIGger:EDGe:SOURce?", _trigger_source),
                self.link.ask(":TRIGger:EDGe:LEVel?", scpi.number),
                self.link.ask(":TRIGger:EDGe:SLOPe?", lambda a: scpi.keyword(a, _SLOPES)),
            )

    # -- one arming ------------------------------------------------------------------------------
    def before_arming(self) -> None:
        """Stop; a frame recording that is on must begin anew."""
        self.link.write(":STOP")

    def arm(self) -> None:
        """Start one acquisition, or one recording of frames."""
        self._armed_at = time.monotonic()
        if self._segments > 1:
            self.link.write(":FUNCtion:WRECord:OPERate RUN")
        else:
            self.link.write(":SINGle")

    def arming_confirmed(self) -> bool:
        """Ask whether another state than STOP, which may be stale, shows; or enough time passed.

        An acquisition that triggers at once may be over before the first question.
        """
        taken = time.monotonic() - self._armed_at > _SURELY_TAKEN + self._record_time
        return taken or self._state() is not AcquisitionStatus.COMPLETE

    def _state(self) -> AcquisitionStatus:
        if self._segments > 1:
            running = self.link.query(":FUNCtion:WRECord:OPERate?").strip().upper() == "RUN"
            if not running:
                return AcquisitionStatus.COMPLETE
        state = self.link.ask(":TRIGger:STATus?", lambda a: scpi.keyword(a, _STATES))
        if self._segments > 1 and state is AcquisitionStatus.COMPLETE:
            return AcquisitionStatus.TRIGGERED  # between two frames
        return state

    def acquisition_status(self) -> AcquisitionStatus:
        """Ask the trigger status, in which STOP is taken for the end only after the arming was."""
        if not self._armed:
            return AcquisitionStatus.IDLE
        state = self._state()
        if state is AcquisitionStatus.COMPLETE and not self._confirmed:
            return AcquisitionStatus.UNKNOWN
        return state

    def stop(self) -> None:
        """Stop."""
        self.link.write(":STOP")

    def stopped(self) -> bool:
        """Ask whether it is stopped."""
        return self.link.query(":TRIGger:STATus?").strip().upper() == "STOP"

    def count_segments(self) -> int:
        """Ask how many frames were recorded."""
        return self.link.ask(":FUNCtion:WREPlay:FMAX?", scpi.integer)

    # -- data ------------------------------------------------------------------------------------
    def fetch(self, channel: int, segment: int = 0) -> Trace:
        """Read one channel from memory, piece by piece, each with a header of its own."""
        self.check_channel_number(channel)
        self.check_segment(segment)
        if self._segments > 1:
            self.choose(":FUNCtion:WREPlay:FCURrent", f"{segment + 1}")
        width = self.profile.code_bits
        self.choose(":WAVeform:SOURce", f"CHANnel{channel}")
        self.set_all(
            ":WAVeform:MODE RAW",
            f":WAVeform:FORMat {'WORD' if width == 16 else 'BYTE'}",
        )
        preamble = self.link.query(":WAVeform:PREamble?")
        with self.naming_the_instrument():
            scale = scaling(preamble)
            if scale.width != width:
                raise AnswerError(
                    f"the preamble says {scale.width}-bit codes where {width} were asked for"
                )
        seen = self._read_memory(scale.points, width)
        return self.as_configured(trace(seen, scale, self.profile.bits, preamble))

    def _read_memory(self, points: int, width: int) -> SeenCodes:
        """Read all points, in pieces of what one read may hold."""
        size, limit = width // 8, _POINTS_PER_READ[width]
        data = np.empty(points * size, np.uint8)
        reader = CodeReader(width=width, unsigned=True)
        for first in range(0, points, limit):
            last = min(first + limit, points)
            self.set_all(f":WAVeform:STARt {first + 1}", f":WAVeform:STOP {last}")
            self.read_into(":WAVeform:DATA?", data[first * size : last * size], reader)
        return reader.codes(data)

    def segment_times(self) -> TriggerTimes:
        """Tell nothing: no query for time stamps was found documented for this family."""
        return TriggerTimes((), "none")


def _bandwidth_limit(answer: str) -> float | None:
    word = answer.strip().upper()
    if word in {"OFF", "20M"}:
        return _BANDWIDTH_LIMIT if word == "20M" else None
    raise AnswerError(f"expected OFF or 20M, got {scpi.shown(answer)}")


def _trigger_source(answer: str) -> TriggerSource:
    word = answer.strip().upper()
    if word.startswith("EXT"):
        return "external"
    if word.startswith("CHAN"):
        return scpi.integer(word.lstrip("CHANEL"))
    raise AnswerError(f"expected an input as trigger source, got {scpi.shown(answer)}")
