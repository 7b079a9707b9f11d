"""Keysight (Agilent) Infiniium: 8000A, 9000, 90000, S, V and later series.

In kind: a longer preamble that begins like its smaller relative's, signed codes with a reserved
code for holes, headers that must be switched off, coupling and impedance in one word, a latched
event that tells when an acquisition is done.

Where the facts come from, and which stay unconfirmed on hardware: drivers/README.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from drivers import scpi
from drivers.decode import SeenCodes
from drivers.errors import AnswerError, InstrumentError
from drivers.instrument import drain
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
from drivers.trace import Clipping, Trace

_BANDWIDTH_LIMIT = 20e6  # Hz
_FORMATS = {1.0: 8, 2.0: 16}  # the preamble's first number -> bits of a code
_HOLES = {8: 125, 16: 31232}
_EDGE = 124  # of a byte: the highest code below those that are reserved or mean clipped
_WAITING = 1 << 5  # of the operation status condition register
_INPUTS: dict[str, tuple[Coupling, float]] = {
    "DC": ("DC", 1e6),
    "DC50": ("DC", 50.0),
    "AC": ("AC", 1e6),
}
_SLOPES: dict[str, Slope] = {"POSitive": "positive", "NEGative": "negative"}


@dataclass(frozen=True, slots=True)
class Scaling:
    """The preamble's numbers that matter, as printed."""

    width: int
    points: int
    x_increment: float
    x_origin: float
    y_increment: float
    y_origin: float
    y_reference: float

    @property
    def offset(self) -> float:
        """Return the volts at code 0: V = (code - yreference) * yincrement + yorigin. [V]"""
        return self.y_origin - self.y_reference * self.y_increment


def scaling(preamble: str) -> Scaling:
    """Return what ``:WAVeform:PREamble?`` says; words may follow its first ten numbers.

    Raises
    ------
    AnswerError
        If there are not ten ordinary numbers, or the data are neither BYTE nor WORD.
    """
    fields = scpi.numbers(",".join(preamble.split(",")[:10]), 10)
    width = _FORMATS.get(fields[0])
    if width is None:
        raise AnswerError(f"the preamble's format is {fields[0]:g}; 1 (BYTE) or 2 (WORD) expected")
    if not all(map(math.isfinite, fields)) or fields[4] <= 0 or fields[7] <= 0:
        raise AnswerError(f"the preamble cannot scale a record: {scpi.shown(preamble, 120)}")
    return Scaling(width, int(fields[2]), fields[4], fields[5], *fields[7:])


def clipping(seen: SeenCodes, width: int) -> Clipping:
    """Count holes by their reserved code, and the codes at or beyond the highest free ones.

    Which codes a real-time Infiniium sends for clipped samples was not found; the related 86100A
    sends codes above the hole's.
    """
    edge = _EDGE << (width - 8)
    codes = seen.codes
    high = low = holes = 0
    if codes.size and seen.highest >= min(edge, _HOLES[width]):
        holes = int(np.count_nonzero(codes == _HOLES[width]))
        high = int(np.count_nonzero(codes >= edge))
        high -= holes if _HOLES[width] >= edge else 0
    if codes.size and seen.lowest <= -edge:
        low = int(np.count_nonzero(codes <= -edge))
    return Clipping("end codes", high=high, low=low, holes=holes)


def trace(seen: SeenCodes, scale: Scaling, bits: int, preamble: str) -> Trace:
    """Return the record that codes and preamble describe."""
    edge = _EDGE << (scale.width - 8)
    return Trace(
        codes=seen.codes,
        gain=scale.y_increment,
        offset=scale.offset,
        start=scale.x_origin,
        step=scale.x_increment,
        bits=bits,
        code_low=1 - edge,
        code_high=edge - 1,
        clipping=clipping(seen, scale.width),
        preamble=preamble,
    )


class KeysightInfiniium(ScpiScope):
    """One Infiniium scope."""

    FREE_SWEEP = (":TRIGger:SWEep", "AUTO", "TRIGgered")
    SETTINGS: ClassVar[tuple[str, ...]] = (
        ":CHANnel{n}:DISPlay?",
        ":CHANnel{n}:RANGe?",
        ":CHANnel{n}:OFFSet?",
        ":CHANnel{n}:INPut?",
        ":CHANnel{n}:BWLimit?",
        ":TIMebase:RANGe?",
        ":TIMebase:POSition?",
        ":TIMebase:REFerence?",
        ":ACQuire:MODE?",
        ":ACQuire:POINts:ANALog?",
        ":ACQuire:SRATe:ANALog?",
        ":TRIGger:MODE?",
        ":TRIGger:SWEep?",
        ":TRIGger:EDGE:SOURce?",
        ":TRIGger:EDGE:SLOPe?",
        ":TRIGger:EDGE:COUPling?",
    )

    # -- session ---------------------------------------------------------------------------------
    def prepare(self) -> None:
        """Answers without headers."""
        self.link.write(":SYSTem:HEADer OFF")

    def after_reset(self) -> None:
        """Stop; no automatic sweep from here on."""
        self.set_all(":STOP", ":TRIGger:SWEep TRIGgered")

    def errors(self) -> tuple[InstrumentError, ...]:
        """Drain the error queue, with the texts that this family gives on request."""
        return drain(self.link, ":SYSTem:ERRor? STRing")

    # -- configuration ---------------------------------------------------------------------------
    def configure_channel(self, wanted: ChannelSettings) -> ChannelSettings:
        """Set up one input and return what was read back."""
        self.check_channel(wanted)
        limited = self.check_bandwidth_limit(wanted, _BANDWIDTH_LIMIT)
        words = {meaning: word for word, meaning in _INPUTS.items()}
        word = words.get((wanted.coupling, wanted.input_impedance))
        if word is None:
            raise self.refuse(
                f"channel {wanted.channel}: {wanted.coupling} at {wanted.input_impedance:g} ohm "
                "was asked for; this family has no such input"
            )
        root = f":CHANnel{wanted.channel}"
        with self.configuring(f"setting up channel {wanted.channel}"):
            self.set_all(
                f"{root}:INPut {word}",
                f"{root}:PROBe 1",
                f"{root}:UNITs VOLT",
                f"{root}:BWLimit {'ON' if limited else 'OFF'}",
                f"{root}:RANGe {wanted.vertical_range:.6E}",
                f"{root}:OFFSet {wanted.vertical_offset:.6E}",
                f"{root}:DISPlay {'ON' if wanted.enabled else 'OFF'}",
            )
            got = self._channel(wanted.channel)
        return self.enable(got)

    def _channel(self, channel: int) -> ChannelSettings:
        root, ask = f":CHANnel{channel}", self.link.ask
        coupling, impedance = ask(f"{root}:INPut?", lambda a: scpi.keyword(a, _INPUTS))
        return ChannelSettings(
            channel,
            ask(f"{root}:RANGe?", scpi.positive),
            ask(f"{root}:OFFSet?", scpi.number),
            coupling,
            impedance,
            _BANDWIDTH_LIMIT if ask(f"{root}:BWLimit?", scpi.boolean) else None,
            ask(f"{root}:DISPlay?", scpi.boolean),
        )

    def configure_acquisition(self, wanted: AcquisitionRequest) -> AcquisitionState:
        """Set up time base and sample rate; the record length is what covers the time base."""
        self.check_segments(wanted)
        with self.configuring("setting up the acquisition"):
            self.set_all(":STOP", ":TIMebase:REFerence CENTer")
            if self.profile.maximum_segments > 1:
                many = wanted.segments > 1
                self.link.write(f":ACQuire:MODE {'SEGMented' if many else 'RTIMe'}")
                if many:
                    self.link.write(f":ACQuire:SEGMented:COUNt {wanted.segments}")
            span = self.set_at_least(
                wanted.time_per_record, ":TIMebase:RANGe {}", ":TIMebase:RANGe?"
            )
            self.set_all(
                f":TIMebase:POSition {wanted.acquisition_start_time + span / 2:.9E}",
                ":ACQuire:POINts:ANALog AUTO",
            )
            self._set_rate(wanted.minimum_sample_rate, span)
            got = self._acquisition(wanted.segments)
        self.check_acquisition(wanted, got)
        return got

    def _set_rate(self, rate: float, span: float) -> None:
        """Ask for points at a rising rate until the rate that reads back is high enough.

        The unit takes the nearest of the rates that it has, which may be the lower one.
        """
        for factor in (1.0, 2.5, 5.0):
            points = min(math.ceil(rate * factor * span), self.profile.maximum_record_length)
            self.link.write(f":ACQuire:POINts:ANALog {points}")
            if self._rate() >= rate:
                return

    def _rate(self) -> float:
        """Return the rate of the next record; a stopped unit tells that of the one it holds."""
        self.link.write(":SINGle")
        rate = self.link.ask(":ACQuire:SRATe:ANALog?", scpi.positive)
        self.link.write(":STOP")
        return rate

    def _acquisition(self, segments: int) -> AcquisitionState:
        ask = self.link.ask
        span = ask(":TIMebase:RANGe?", scpi.positive)
        middle = ask(":TIMebase:POSition?", scpi.number)
        rate = self._rate()
        if segments > 1:
            segments = ask(":ACQuire:SEGMented:COUNt?", scpi.integer)
        return AcquisitionState(round(rate * span), rate, span, middle - span / 2, segments)

    def configure_edge_trigger(self, wanted: TriggerSettings) -> TriggerSettings:
        """Set up a triggered-sweep edge trigger and return what was read back."""
        if wanted.source == "external":
            source = "AUX"
        else:
            self.check_channel_number(wanted.source)
            source = f"CHANnel{wanted.source}"
        slope = {meaning: word for word, meaning in _SLOPES.items()}[wanted.slope]
        with self.configuring("setting up the trigger"):
            self.set_all(
                ":TRIGger:MODE EDGE",
                ":TRIGger:SWEep TRIGgered",
                f":TRIGger:EDGE:SOURce {source}",
                f":TRIGger:EDGE:SLOPe {slope}",
                ":TRIGger:EDGE:COUPling DC",
                f":TRIGger:LEVel {source},{wanted.level:.6E}",
            )
            sweep = self.link.query(":TRIGger:SWEep?")
            self.check_normal_sweep(sweep.strip().upper().startswith("TRIG"), sweep)
            return TriggerSettings(
                self.link.ask(":TRIGger:EDGE:SOURce?", _trigger_source),
                self.link.ask(f":TRIGger:LEVel? {source}", scpi.number),
                self.link.ask(":TRIGger:EDGE:SLOPe?", lambda a: scpi.keyword(a, _SLOPES)),
            )

    # -- one arming ------------------------------------------------------------------------------
    def before_arming(self) -> None:
        """Stop, and read the event registers, which clears them."""
        self.link.write(":STOP")
        self.link.ask(":ADER?", scpi.integer)
        self.link.ask(":AER?", scpi.integer)

    def arm(self) -> None:
        """Start one acquisition."""
        self.link.write(":SINGle")

    def arm_free(self) -> None:
        """Run: whether SINGle waits for a trigger under an automatic sweep was not found."""
        self.link.write(":RUN")

    def arming_confirmed(self) -> bool:
        """Ask the arm event register, or the done event where it is over already."""
        return self.link.ask(":AER?", scpi.integer) != 0 or self._done()

    def _done(self) -> bool:
        """Ask the latched done event, and keep it: reading clears it."""
        self._triggered = self._triggered or self.link.ask(":ADER?", scpi.integer) != 0
        return self._triggered

    def acquisition_status(self) -> AcquisitionStatus:
        """Ask the done event; until it comes, the condition register tells whether one waits."""
        if not self._armed:
            return AcquisitionStatus.IDLE
        if self._done():
            return AcquisitionStatus.COMPLETE
        condition = self.link.ask(":OPERegister:CONDition?", scpi.integer)
        return AcquisitionStatus.WAITING if condition & _WAITING else AcquisitionStatus.ARMING

    def stop(self) -> None:
        """Stop."""
        self.link.write(":STOP")

    def stopped(self) -> bool:
        """Ask whether nothing waits for a trigger any more."""
        return not self.link.ask(":OPERegister:CONDition?", scpi.integer) & _WAITING

    def count_segments(self) -> int:
        """Ask how many segments the last arming took."""
        return self.link.ask(":WAVeform:SEGMented:COUNt?", scpi.integer)

    # -- data ------------------------------------------------------------------------------------
    def fetch(self, channel: int, segment: int = 0) -> Trace:
        """Read one channel of one segment: format first, then preamble, then data."""
        self.check_channel_number(channel)
        self.check_segment(segment)
        if self._segments > 1:
            self.choose(":ACQuire:SEGMented:INDex", f"{segment + 1}")
        width = self.profile.code_bits
        self.choose(":WAVeform:SOURce", f"CHANnel{channel}")
        self.set_all(
            f":WAVeform:FORMat {'WORD' if width == 16 else 'BYTE'}", ":WAVeform:STReaming OFF"
        )
        self.choose(":WAVeform:BYTeorder", "LSBFirst")
        preamble = self.link.query(":WAVeform:PREamble?")
        with self.naming_the_instrument():
            scale = scaling(preamble)
            if scale.width != width:
                raise AnswerError(
                    f"the preamble says {scale.width}-bit codes where {width} were asked for"
                )
        seen = self.read_codes(":WAVeform:DATA?", scale.points, width=width, unsigned=False)
        return self.as_configured(trace(seen, scale, self.profile.bits, preamble))

    def segment_times(self) -> TriggerTimes:
        """Ask each segment's time tag, in seconds from the first trigger."""
        times = []
        for segment in range(self.count_segments()):
            self.link.write(f":ACQuire:SEGMented:INDex {segment + 1}")
            times.append(self.link.ask(":WAVeform:SEGMented:TTAG?", scpi.number))
        return TriggerTimes(tuple(times), "instrument")


def _trigger_source(answer: str) -> TriggerSource:
    word = answer.strip().upper()
    if word.startswith(("AUX", "EXT")):
        return "external"
    if word.startswith("CHAN"):
        return scpi.integer(word.lstrip("CHANEL"))
    raise AnswerError(f"expected an input as trigger source, got {scpi.shown(answer)}")
