"""Keysight (Agilent) InfiniiVision: 2000, 3000 and 4000 X-Series and their relatives.

In kind: a preamble of ten numbers with the reference in codes and the origin in volts, reserved
codes for clipping and holes, a status register that says whether the unit still runs.

Where the facts come from, and which stay unconfirmed on hardware: drivers/README.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from drivers import scpi
from drivers.decode import SeenCodes
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
from drivers.trace import Clipping, Trace

_RUNNING, _WAITING = 1 << 3, 1 << 5  # bits of the operation status condition register
_BANDWIDTH_LIMIT = 20e6  # Hz; the one limit that the family has
_FORMATS = {0.0: 8, 1.0: 16}  # the preamble's first number -> bits of a code on the wire
_COUPLINGS: dict[str, Coupling] = {"DC": "DC", "AC": "AC"}
_IMPEDANCES = {"ONEMeg": 1e6, "FIFTy": 50.0}
_SLOPES: dict[str, Slope] = {"POSitive": "positive", "NEGative": "negative"}


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

    @property
    def start(self) -> float:
        """Return the time of sample 0: t = (i - xreference) * xincrement + xorigin. [s]"""
        return self.x_origin - self.x_reference * self.x_increment

    @property
    def offset(self) -> float:
        """Return the volts at *signed* code 0: V = (u - yreference) * yincrement + yorigin. [V]"""
        middle = 1 << (self.width - 1)
        return self.y_origin + (middle - self.y_reference) * self.y_increment


def scaling(preamble: str) -> Scaling:
    """Return what ``:WAVeform:PREamble?`` says.

    Raises
    ------
    AnswerError
        If there are not ten numbers, or the format is neither BYTE nor WORD.
    """
    fields = scpi.numbers(preamble, 10)
    width = _FORMATS.get(fields[0])
    if width is None:
        raise AnswerError(f"the preamble's format is {fields[0]:g}; 0 (BYTE) or 1 (WORD) expected")
    if not all(np.isfinite(fields)) or fields[4] <= 0 or fields[7] <= 0:
        raise AnswerError(f"the preamble cannot scale a record: {scpi.shown(preamble, 120)}")
    return Scaling(width, int(fields[2]), *fields[4:])


def clipping(seen: SeenCodes, width: int, bits: int) -> Clipping:
    """Count the reserved codes: 0 hole, 1 clipped low, all ones clipped high (unsigned).

    In 16-bit words a narrower converter's top and bottom codes count as clipped as well, because
    the manuals do not say whether the reserved codes are shifted with the data.
    """
    step = 1 << max(width - bits, 0)
    floor = -(1 << (width - 1))
    low_end, high_end = floor + step, -floor - step
    codes = seen.codes
    holes = low = high = 0
    if codes.size and seen.lowest <= low_end:
        holes = int(np.count_nonzero(codes == floor))
        low = int(np.count_nonzero(codes <= low_end)) - holes
    if codes.size and seen.highest >= high_end:
        high = int(np.count_nonzero(codes >= high_end))
    return Clipping("reserved codes", high=high, low=low, holes=holes)


class KeysightInfiniiVision(ScpiScope):
    """One InfiniiVision scope."""

    COUNTS_WHILE_RUNNING: ClassVar[bool] = True

    SETTINGS: ClassVar[tuple[str, ...]] = (
        ":CHANnel{n}:DISPlay?",
        ":CHANnel{n}:RANGe?",
        ":CHANnel{n}:OFFSet?",
        ":CHANnel{n}:COUPling?",
        ":CHANnel{n}:IMPedance?",
        ":CHANnel{n}:BWLimit?",
        ":CHANnel{n}:PROBe?",
        ":CHANnel{n}:UNITs?",
        ":CHANnel{n}:INVert?",
        ":TIMebase:MODE?",
        ":TIMebase:RANGe?",
        ":TIMebase:POSition?",
        ":TIMebase:REFerence?",
        ":ACQuire:TYPE?",
        ":ACQuire:MODE?",
        ":ACQuire:SRATe?",
        ":ACQuire:POINts?",
        ":TRIGger:MODE?",
        ":TRIGger:SWEep?",
        ":TRIGger:EDGE:SOURce?",
        ":TRIGger:EDGE:LEVel?",
        ":TRIGger:EDGE:SLOPe?",
        ":TRIGger:EDGE:COUPling?",
        ":TRIGger:HOLDoff?",
    )

    def after_reset(self) -> None:
        """Stop; no automatic sweep from here on."""
        self.set_all(":STOP", ":TRIGger:SWEep NORMal")

    # -- configuration ---------------------------------------------------------------------------
    def configure_channel(self, wanted: ChannelSettings) -> ChannelSettings:
        """Set up one input and return what was read back."""
        self.check_channel(wanted)
        limited = self.check_bandwidth_limit(wanted, _BANDWIDTH_LIMIT)
        root = f":CHANnel{wanted.channel}"
        with self.configuring(f"setting up channel {wanted.channel}"):
            if not self.impedance_is_fixed:
                word = "FIFTy" if wanted.input_impedance == 50.0 else "ONEMeg"
                self.link.write(f"{root}:IMPedance {word}")
            self.set_all(
                f"{root}:PROBe 1",
                f"{root}:UNITs VOLT",
                f"{root}:INVert 0",
                f"{root}:COUPling {wanted.coupling}",
                f"{root}:BWLimit {int(limited)}",
                f"{root}:RANGe {wanted.vertical_range:.6E}",
                f"{root}:OFFSet {wanted.vertical_offset:.6E}",
                f"{root}:DISPlay {int(wanted.enabled)}",
            )
            got = self._channel(wanted.channel)
        return self.enable(got)

    def _channel(self, channel: int) -> ChannelSettings:
        root, ask = f":CHANnel{channel}", self.link.ask
        return ChannelSettings(
            channel,
            ask(f"{root}:RANGe?", scpi.number),
            ask(f"{root}:OFFSet?", scpi.number),
            ask(f"{root}:COUPling?", lambda a: scpi.keyword(a, _COUPLINGS)),
            ask(f"{root}:IMPedance?", lambda a: scpi.keyword(a, _IMPEDANCES))
            if not self.impedance_is_fixed
            else self.profile.input_impedances[0],
            _BANDWIDTH_LIMIT if ask(f"{root}:BWLimit?", scpi.boolean) else None,
            ask(f"{root}:DISPlay?", scpi.boolean),
        )

    def configure_acquisition(self, wanted: AcquisitionRequest) -> AcquisitionState:
        """Set up the time base; record length and sample rate follow from it on this family."""
        self.check_segments(wanted)
        with self.configuring("setting up the acquisition"):
            self.set_all(
                ":STOP",
                ":ACQuire:TYPE NORMal",
                f":ACQuire:MODE {'SEGMented' if wanted.segments > 1 else 'RTIMe'}",
                ":TIMebase:MODE MAIN",
                ":TIMebase:REFerence CENTer",
            )
            if wanted.segments > 1:
                self.link.write(f":ACQuire:SEGMented:COUNt {wanted.segments}")
            span = self.set_at_least(
                wanted.time_per_record, ":TIMebase:RANGe {}", ":TIMebase:RANGe?"
            )
            middle = wanted.acquisition_start_time + span / 2
            self.link.write(f":TIMebase:POSition {middle:.9E}")
            got = self._acquisition(wanted.segments)
        self.check_acquisition(wanted, got)
        return got

    def _acquisition(self, segments: int) -> AcquisitionState:
        """Read back the record that the next single acquisition will take.

        A stopped unit reports the rate of the record it holds, not of the next one, and a running
        one may use less memory than a single one: so it is armed for the question.
        """
        ask = self.link.ask
        span = ask(":TIMebase:RANGe?", scpi.positive)
        middle = ask(":TIMebase:POSition?", scpi.number)
        self.link.write(":SINGle")
        rate = ask(":ACQuire:SRATe?", scpi.positive)
        self.link.write(":STOP")
        if segments > 1:
            segments = ask(":ACQuire:SEGMented:COUNt?", scpi.integer)
        return AcquisitionState(round(rate * span), rate, span, middle - span / 2, segments)

    def configure_edge_trigger(self, wanted: TriggerSettings) -> TriggerSettings:
        """Set up a normal-sweep edge trigger and return what was read back."""
        if wanted.source == "external":
            source = "EXTernal"
        else:
            self.check_channel_number(wanted.source)
            source = f"CHANnel{wanted.source}"
        slope = {meaning: word for word, meaning in _SLOPES.items()}[wanted.slope]
        with self.configuring("setting up the trigger"):
            self.set_all(
                ":TRIGger:MODE EDGE",
                ":TRIGger:SWEep NORMal",
                f":TRIGger:EDGE:SOURce {source}",
                f":TRIGger:EDGE:SLOPe {slope}",
                ":TRIGger:EDGE:COUPling DC",
                f":TRIGger:EDGE:LEVel {wanted.level:.6E}",
            )
            sweep = self.link.query(":TRIGger:SWEep?")
            self.check_normal_sweep(sweep.strip().upper().startswith("NORM"), sweep)
            return TriggerSettings(
                self.link.ask(":TRIGger:EDGE:SOURce?", _trigger_source),
                self.link.ask(":TRIGger:EDGE:LEVel?", scpi.number),
                self.link.ask(":TRIGger:EDGE:SLOPe?", lambda a: scpi.keyword(a, _SLOPES)),
            )

    # -- one arming ------------------------------------------------------------------------------
    def before_arming(self) -> None:
        """Stop, and read the two event registers, which clears them."""
        self.link.write(":STOP")
        self.link.ask(":AER?", scpi.integer)
        self.link.ask(":TER?", scpi.integer)

    def arm(self) -> None:
        """Start one acquisition; SINGle itself forces the normal sweep."""
        self.link.write(":SINGle")

    def arming_confirmed(self) -> bool:
        """Ask the arm event register, which stays set even when the trigger came at once."""
        return self.link.ask(":AER?", scpi.integer) != 0

    def acquisition_status(self) -> AcquisitionStatus:
        """Ask the live condition register; a stop without a trigger event is no record."""
        if not self._armed:
            return AcquisitionStatus.IDLE
        condition = self.link.ask(":OPERegister:CONDition?", scpi.integer)
        if condition & _RUNNING:
            waiting = condition & _WAITING
            if waiting and not self._triggered:
                return AcquisitionStatus.WAITING
            return AcquisitionStatus.TRIGGERED if self._confirmed else AcquisitionStatus.ARMING
        self._triggered = self._triggered or self.link.ask(":TER?", scpi.integer) != 0
        if self._triggered:
            return AcquisitionStatus.COMPLETE
        return AcquisitionStatus.IDLE if self._confirmed else AcquisitionStatus.UNKNOWN

    def stop(self) -> None:
        """Stop."""
        self.link.write(":STOP")

    def stopped(self) -> bool:
        """Ask whether the run bit is down."""
        return not self.link.ask(":OPERegister:CONDition?", scpi.integer) & _RUNNING

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
        word = self.profile.code_bits == 16
        self.choose(":WAVeform:SOURce", f"CHANnel{channel}")
        self.set_all(
            f":WAVeform:FORMat {'WORD' if word else 'BYTE'}",
            ":WAVeform:POINts:MODE RAW",
            ":WAVeform:POINts MAXimum",
        )
        self.choose(":WAVeform:BYTeorder", "LSBFirst")
        self.choose(":WAVeform:UNSigned", "1")
        preamble = self.link.query(":WAVeform:PREamble?")
        with self.naming_the_instrument():
            scale = scaling(preamble)
            if scale.width != self.profile.code_bits:
                raise AnswerError(
                    f"the preamble says {scale.width}-bit codes where {self.profile.code_bits} "
                    "were asked for"
                )
        seen = self.read_codes(":WAVeform:DATA?", scale.points, width=scale.width, unsigned=True)
        return self.as_configured(trace(seen, scale, self.profile.bits, preamble))

    def segment_times(self) -> TriggerTimes:
        """Ask each segment's time tag, in seconds from the first trigger."""
        times = []
        for segment in range(self.count_segments()):
            self.link.write(f":ACQuire:SEGMented:INDex {segment + 1}")
            times.append(self.link.ask(":WAVeform:SEGMented:TTAG?", scpi.number))
        return TriggerTimes(tuple(times), "instrument")


def trace(seen: SeenCodes, scale: Scaling, bits: int, preamble: str) -> Trace:
    """Return the record that codes and preamble describe."""
    step = 1 << max(scale.width - bits, 0)
    end = 1 << (scale.width - 1)
    return Trace(
        codes=seen.codes,
        gain=scale.y_increment,
        offset=scale.offset,
        start=scale.start,
        step=scale.x_increment,
        bits=bits,
        code_low=-end + step + 1,
        code_high=end - step - 1,
        clipping=clipping(seen, scale.width, bits),
        preamble=preamble,
    )


def _trigger_source(answer: str) -> TriggerSource:
    word = answer.strip().upper()
    if word.startswith("EXT"):
        return "external"
    if word.startswith("CHAN"):
        return scpi.integer(word.lstrip("CHANEL"))
    raise AnswerError(f"expected an input as trigger source, got {scpi.shown(answer)}")
