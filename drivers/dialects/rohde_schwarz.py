"""Rohde & Schwarz RTB2000, RTM3000, RTA4000, RTC1000 and RTM20xx (not RTO, RTE, RTP).

In kind: unsigned codes whose origin is the same for 8 and 16 bits and whose increment is not,
coupling and impedance in one word of which the plain one means 50 ohm, a history of records
counted backwards from the newest.

Where the facts come from, and which stay unconfirmed on hardware: drivers/README.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

from drivers import scpi
from drivers.decode import SeenCodes, saturating_trace
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

_BANDWIDTH_LIMIT = 20e6  # Hz
_EXTERNAL = 5  # the suffix of the external input's trigger level
_OPERATION_COMPLETE = 1  # bit 0 of the event status register (IEEE 488.2, 11.5.1)
# Beware: plain DC and AC mean 50 ohm.
_COUPLINGS: dict[str, tuple[Coupling, float]] = {
    "DCLimit": ("DC", 1e6),
    "ACLimit": ("AC", 1e6),
    "DC": ("DC", 50.0),
    "AC": ("AC", 50.0),
}
_SLOPES: dict[str, Slope] = {"POSitive": "positive", "NEGative": "negative"}
_BANDWIDTHS = {"FULL": None, "B20": _BANDWIDTH_LIMIT}


@dataclass(frozen=True, slots=True)
class Scaling:
    """What the data subsystem says of the record in the format in force."""

    width: int
    x_origin: float
    x_increment: float
    y_origin: float
    y_increment: float

    @property
    def offset(self) -> float:
        """Return the volts at *signed* code 0: V = yOrigin + yIncrement * (unsigned code). [V]"""
        return self.y_origin + (1 << (self.width - 1)) * self.y_increment


def trace(seen: SeenCodes, scale: Scaling, bits: int, preamble: str) -> Trace:
    """Return the record that codes and scaling describe."""
    return saturating_trace(
        seen,
        gain=scale.y_increment,
        offset=scale.offset,
        start=scale.x_origin,
        step=scale.x_increment,
        bits=bits,
        width=scale.width,
        preamble=preamble,
    )


class RohdeSchwarz(ScpiScope):
    """One scope of the RTB class."""

    FREE_SWEEP = ("TRIGger:A:MODE", "AUTO", "NORMal")
    COUNTS_WHILE_RUNNING: ClassVar[bool] = True

    SETTINGS: ClassVar[tuple[str, ...]] = (
        "CHANnel{n}:STATe?",
        "CHANnel{n}:RANGe?",
        "CHANnel{n}:OFFSet?",
        "CHANnel{n}:POSition?",
        "CHANnel{n}:COUPling?",
        "CHANnel{n}:BANDwidth?",
        "PROBe{n}:SETup:ATTenuation:MANual?",
        "TIMebase:SCALe?",
        "TIMebase:POSition?",
        "TIMebase:REFerence?",
        "ACQuire:POINts:VALue?",
        "ACQuire:SRATe?",
        "ACQuire:NSINgle:COUNt?",
        "TRIGger:A:TYPE?",
        "TRIGger:A:MODE?",
        "TRIGger:A:SOURce?",
        "TRIGger:A:EDGE:SLOPe?",
        "TRIGger:A:EDGE:COUPling?",
    )

    def after_reset(self) -> None:
        """Stop; no automatic sweep from here on."""
        self.set_all("STOP", "TRIGger:A:MODE NORMal")

    # -- configuration ---------------------------------------------------------------------------
    def configure_channel(self, wanted: ChannelSettings) -> ChannelSettings:
        """Set up one input and return what was read back."""
        self.check_channel(wanted)
        root = f"CHANnel{wanted.channel}"
        limited = self.check_bandwidth_limit(wanted, _BANDWIDTH_LIMIT)
        coupling = f"{wanted.coupling}{'' if wanted.input_impedance == 50.0 else 'Limit'}"
        with self.configuring(f"setting up channel {wanted.channel}"):
            self.set_all(
                f"{root}:COUPling {coupling}",
                f"PROBe{wanted.channel}:SETup:ATTenuation:UNIT V",
                f"PROBe{wanted.channel}:SETup:ATTenuation:MANual 1",
                f"{root}:BANDwidth {'B20' if limited else 'FULL'}",
                f"{root}:RANGe {wanted.vertical_range:.6E}",
                f"{root}:POSition 0",
                f"{root}:OFFSet {wanted.vertical_offset:.6E}",
                f"{root}:STATe {'ON' if wanted.enabled else 'OFF'}",
            )
            got = self._channel(wanted.channel)
        return self.enable(got)

    def _channel(self, channel: int) -> ChannelSettings:
        root, ask = f"CHANnel{channel}", self.link.ask
        coupling, impedance = ask(f"{root}:COUPling?", lambda a: scpi.keyword(a, _COUPLINGS))
        return ChannelSettings(
            channel,
            ask(f"{root}:RANGe?", scpi.positive),
            ask(f"{root}:OFFSet?", scpi.number),
            coupling,
            impedance,
            ask(f"{root}:BANDwidth?", lambda a: scpi.keyword(a, _BANDWIDTHS)),
            ask(f"{root}:STATe?", scpi.boolean),
        )

    def configure_acquisition(self, wanted: AcquisitionRequest) -> AcquisitionState:
        """Set up time base and record length; the sample rate follows."""
        self.check_segments(wanted)
        divisions = self.profile.horizontal_divisions
        with self.configuring("setting up the acquisition"):
            self.set_all("STOP", "TIMebase:REFerence 50")
            scale = self.set_at_least(
                wanted.time_per_record / divisions, "TIMebase:SCALe {}", "TIMebase:SCALe?"
            )
            span = scale * divisions
            length = self.profile.record_length_for(span * wanted.minimum_sample_rate)
            self.set_all(
                f"TIMebase:POSition {wanted.acquisition_start_time + span / 2:.9E}",
                "ACQuire:POINts:AUTomatic OFF",
                f"ACQuire:POINts:VALue {length}",
                f"ACQuire:NSINgle:COUNt {wanted.segments}",
            )
            if self.profile.maximum_segments > 1:
                word = "ON" if wanted.segments > 1 else "OFF"
                self.link.write(f"ACQuire:SEGMented:STATe {word}")
            got = self._acquisition()
        self.check_acquisition(wanted, got)
        return got

    def _acquisition(self) -> AcquisitionState:
        ask = self.link.ask
        rate = ask("ACQuire:SRATe?", scpi.positive)
        span = ask("TIMebase:SCALe?", scpi.positive) * self.profile.horizontal_divisions
        start = ask("TIMebase:POSition?", scpi.number) - span / 2
        segments = ask("ACQuire:NSINgle:COUNt?", scpi.integer)
        return AcquisitionState(round(rate * span), rate, span, start, segments)

    def configure_edge_trigger(self, wanted: TriggerSettings) -> TriggerSettings:
        """Set up a normal-sweep edge trigger and return what was read back."""
        if wanted.source == "external":
            source, level = "EXTernanalog", f"TRIGger:A:LEVel{_EXTERNAL}:VALue"
        else:
            self.check_channel_number(wanted.source)
            source, level = f"CH{wanted.source}", f"TRIGger:A:LEVel{wanted.source}:VALue"
        slope = {meaning: word for word, meaning in _SLOPES.items()}[wanted.slope]
        with self.configuring("setting up the trigger"):
            self.set_all(
                "TRIGger:A:TYPE EDGE",
                "TRIGger:A:MODE NORMal",
                f"TRIGger:A:SOURce {source}",
                f"TRIGger:A:EDGE:SLOPe {slope}",
                "TRIGger:A:EDGE:COUPling DC",
                f"{level} {wanted.level:.6E}",
            )
            sweep = self.link.query("TRIGger:A:MODE?")
            self.check_normal_sweep(sweep.strip().upper().startswith("NORM"), sweep)
            return TriggerSettings(
                self.link.ask("TRIGger:A:SOURce?", _trigger_source),
                self.link.ask(f"{level}?", scpi.number),
                self.link.ask("TRIGger:A:EDGE:SLOPe?", lambda a: scpi.keyword(a, _SLOPES)),
            )

    # -- one arming ------------------------------------------------------------------------------
    def before_arming(self) -> None:
        """Stop, and read the event status register, which clears it."""
        self.link.write("STOP")
        self.link.ask("*ESR?", scpi.integer)
        self._complete = False

    def arm(self) -> None:
        """Start the acquisitions, and ask for a latched bit when all of them are done.

        ``*OPC`` sets that bit and blocks nothing, unlike ``*OPC?``.
        """
        self.set_all("SINGle", "*OPC")

    def arming_confirmed(self) -> bool:
        """Commands are carried out in order, so that the bit cannot be set before the arming."""
        return True

    def acquisition_status(self) -> AcquisitionStatus:
        """Ask the event status register until the bit has been seen once; reading clears it."""
        if not self._armed:
            return AcquisitionStatus.IDLE
        self._complete = self._complete or bool(
            self.link.ask("*ESR?", scpi.integer) & _OPERATION_COMPLETE
        )
        if not self._complete:
            return AcquisitionStatus.WAITING
        broken = self.link.query("ACQuire:STATe?").strip().upper().startswith("BRE")
        return AcquisitionStatus.IDLE if broken else AcquisitionStatus.COMPLETE

    def stop(self) -> None:
        """Stop; the maker warns that the record is then not to be used."""
        self.link.write("STOP")

    def stopped(self) -> bool:
        """Ask whether nothing runs."""
        return self.link.query("ACQuire:STATe?").strip().upper() != "RUN"

    def count_segments(self) -> int:
        """Ask how many records the history holds."""
        return self.link.ask("ACQuire:AVAilable?", scpi.integer)

    # -- data ------------------------------------------------------------------------------------
    def fetch(self, channel: int, segment: int = 0) -> Trace:
        """Read one channel from memory: format first, then scaling, then data."""
        self.check_channel_number(channel)
        self.check_segment(segment)
        root, width = f"CHANnel{channel}:DATA", self.profile.code_bits
        if self._segments > 1:  # the history counts backwards from 0, the newest
            index = f"{segment + 1 - self._segments}"
            self.choose(f"CHANnel{channel}:HISTory:CURRent", index)
        self.set_all(f"FORMat:DATA UINT,{width}", f"{root}:POINts MAXimum")
        self.choose("FORMat:BORDer", "LSBFirst")
        answers = {
            query: self.link.query(query)
            for query in (
                "FORMat:DATA?",
                f"{root}:HEADer?",
                *(f"{root}:{name}?" for name in ("XORigin", "XINCrement", "YORigin", "YINCrement")),
            )
        }
        with self.naming_the_instrument():
            points, scale = _scaling(list(answers.values()), width)
        seen = self.read_codes(f"{root}?", points, width=width, unsigned=True)
        preamble = ";".join(f"{query} {answer}" for query, answer in answers.items())
        return self.as_configured(trace(seen, scale, self.profile.bits, preamble))

    def segment_times(self) -> TriggerTimes:
        """Ask the history's times, listed from the oldest, relative to the newest."""
        channel = min(self._enabled, default=1)
        times = self.link.ask(f"CHANnel{channel}:HISTory:TSRelative:ALL?", scpi.numbers)
        return TriggerTimes(tuple(t - times[0] for t in times), "instrument")


def _scaling(answers: list[str], width: int) -> tuple[int, Scaling]:
    """Return the number of points and the scaling from the six answers that come with a record."""
    form, header, *scales = answers
    if form.strip().upper() != f"UINT,{width}":
        raise AnswerError(f"UINT,{width} was asked for, the format reads {form!r}")
    fields = scpi.numbers(header, 4)
    if fields[3] != 1 or not math.isfinite(fields[2]):
        raise AnswerError(f"a number of points and one value each were expected, got {header!r}")
    x_origin, x_increment, y_origin, y_increment = (scpi.finite(s, "scaling") for s in scales)
    if x_increment <= 0 or y_increment <= 0:
        raise AnswerError(f"these numbers cannot scale a record: {scales}")
    return int(fields[2]), Scaling(width, x_origin, x_increment, y_origin, y_increment)


def _trigger_source(answer: str) -> TriggerSource:
    word = answer.strip().upper()
    if word.startswith("EXT"):
        return "external"
    if word.startswith("CH"):
        return scpi.integer(word.lstrip("CHANEL"))
    raise AnswerError(f"expected an input as trigger source, got {scpi.shown(answer)}")
