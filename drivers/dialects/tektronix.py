"""Tektronix TDS, DPO, MSO and MDO: the ``CURVe?`` family.

In kind: a preamble of named fields with the vertical position in codes (``YOFf``) and the zero in
volts (``YZEro``), signed codes without reserved values, an event list that opens only after
``*ESR?`` was read, completion asked with ``BUSY?``.

Where the facts come from, and which stay unconfirmed on hardware: drivers/README.md.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

from drivers import scpi
from drivers.decode import SeenCodes, saturating_trace
from drivers.errors import AnswerError, InstrumentError
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
from drivers.timestamps import frame_times
from drivers.trace import Trace

_DIVISIONS = 10  # of a record, on every model read
_ERROR_BITS = 0b0011_1100  # command, execution, device-dependent, query error (IEEE 488.2, 11.5.1)
_EVENTS_THAT_ARE_NO_ERROR = {401, 402}  # power on; operation complete
_COUPLINGS: dict[str, Coupling] = {"DC": "DC", "AC": "AC"}
SLOPES: dict[str, Slope] = {"RISe": "positive", "FALL": "negative"}
_STATES = {
    "ARMed": AcquisitionStatus.ARMING,
    "READy": AcquisitionStatus.WAITING,
    "TRIGger": AcquisitionStatus.TRIGGERED,
    "PARTIAL": AcquisitionStatus.TRIGGERED,
    "AUTO": AcquisitionStatus.UNKNOWN,
    "SCAN": AcquisitionStatus.UNKNOWN,
    "DPO": AcquisitionStatus.UNKNOWN,
    "SAVe": AcquisitionStatus.UNKNOWN,  # stopped, while BUSY? says otherwise: the state lags
}
_FIELDS = (
    "BYT_Nr",
    "BN_Fmt",
    "BYT_Or",
    "NR_Pt",
    "XINcr",
    "XZEro",
    "PT_Off",
    "YMUlt",
    "YOFf",
    "YZEro",
)


@dataclass(frozen=True, slots=True)
class Scaling:
    """The preamble's fields that matter, as printed."""

    width: int
    points: int
    x_increment: float
    x_zero: float
    point_offset: float
    y_multiplier: float
    y_offset: float
    y_zero: float

    @property
    def offset(self) -> float:
        """Return the volts at code 0: V = (code - YOFf) * YMUlt + YZEro. [V]"""
        return self.y_zero - self.y_offset * self.y_multiplier

    def start(self, *, old: bool) -> float:
        """Return the time of the first sample relative to the trigger. [s]

        Older models give the trigger's sample in PT_Off and its time in XZEro; on newer ones XZEro
        already is the time of the first sample and PT_Off only informs.
        """
        return self.x_zero - (self.point_offset * self.x_increment if old else 0.0)


def scaling(fields: Mapping[str, str]) -> Scaling:
    """Return what the preamble's fields say, by their names.

    Raises
    ------
    AnswerError
        If a field cannot scale a record, or the codes are not what was asked for.
    """
    if fields["BN_Fmt"].strip().upper() != "RI":
        raise AnswerError(f"signed codes (RI) were asked for, BN_Fmt is {fields['BN_Fmt']!r}")
    width = 8 * scpi.integer(fields["BYT_Nr"])
    if width not in {8, 16}:
        raise AnswerError(f"codes of 1 or 2 bytes were expected, BYT_Nr is {fields['BYT_Nr']!r}")
    if width == 16 and fields["BYT_Or"].strip().upper() != "LSB":
        raise AnswerError(f"LSB first was asked for, BYT_Or is {fields['BYT_Or']!r}")
    values = [scpi.finite(fields[name], name) for name in _FIELDS[4:]]
    found = Scaling(width, scpi.integer(fields["NR_Pt"]), *values)
    if found.y_multiplier == 0 or found.x_increment <= 0:
        raise AnswerError("YMUlt or XINcr is zero: the instrument does not know its scale")
    return found


class Tektronix(ScpiScope):
    """One Tektronix scope."""

    FORCE = "TRIGger FORCe"
    PREAMBLE: ClassVar[str] = "WFMOutpre"
    TIMES_FROM_TRIGGER: ClassVar[bool] = False  # whether XZEro is the time of sample PT_Off

    SETTINGS: ClassVar[tuple[str, ...]] = (
        "CH{n}:SCAle?",
        "CH{n}:OFFSet?",
        "CH{n}:POSition?",
        "CH{n}:COUPling?",
        "CH{n}:TERmination?",
        "CH{n}:BANdwidth?",
        "CH{n}:PRObe:GAIN?",
        "HORizontal:SCAle?",
        "HORizontal:RECOrdlength?",
        "HORizontal:SAMPLERate?",
        "HORizontal:POSition?",
        "HORizontal:DELay:MODe?",
        "ACQuire:MODe?",
        "ACQuire:STOPAfter?",
        "TRIGger:A:TYPe?",
        "TRIGger:A:MODe?",
        "TRIGger:A:EDGE:SOUrce?",
        "TRIGger:A:EDGE:SLOpe?",
        "TRIGger:A:EDGE:COUPling?",
        "TRIGger:A:LEVel?",
    )

    # -- session ---------------------------------------------------------------------------------
    def prepare(self) -> None:
        """Answers as bare values, in full words."""
        self.set_all("HEADer OFF", "VERBose ON")

    def after_reset(self) -> None:
        """Stop; no automatic sweep from here on."""
        self.set_all("ACQuire:STATE OFF", "TRIGger:A:MODe NORMal")

    def errors(self) -> tuple[InstrumentError, ...]:
        """Read ``*ESR?``, which opens the event list, then the whole list."""
        status = self.link.ask("*ESR?", scpi.integer)
        events = self.link.ask("ALLEv?", scpi.event_list)
        found = tuple(e for e in events if e.code not in _EVENTS_THAT_ARE_NO_ERROR)
        if not found and status & _ERROR_BITS:
            return (InstrumentError(None, f"*ESR? says {status}, and the event list is empty"),)
        return found

    # -- configuration ---------------------------------------------------------------------------
    def configure_channel(self, wanted: ChannelSettings) -> ChannelSettings:
        """Set up one input and return what was read back."""
        self.check_channel(wanted)
        root = f"CH{wanted.channel}"
        limit = wanted.bandwidth_limit
        with self.configuring(f"setting up channel {wanted.channel}"):
            self.link.write(f"SELect:{root} {'ON' if wanted.enabled else 'OFF'}")
            if not self.impedance_is_fixed:
                word = "50" if wanted.input_impedance == 50.0 else "1.0E+6"
                self.link.write(f"{root}:TERmination {word}")
            self.set_all(
                f"{root}:PRObe:GAIN 1.0",
                f"{root}:COUPling {wanted.coupling}",
                f"{root}:BANdwidth {'FULl' if limit is None else f'{limit:.6E}'}",
                f"{root}:SCAle {wanted.vertical_range / self.profile.vertical_divisions:.6E}",
                f"{root}:POSition 0",
                f"{root}:OFFSet {wanted.vertical_offset:.6E}",
            )
            got = self._channel(wanted.channel)
        return self.enable(got)

    def _channel(self, channel: int) -> ChannelSettings:
        root, ask = f"CH{channel}", self.link.ask
        scale = ask(f"{root}:SCAle?", scpi.number)
        position = ask(f"{root}:POSition?", scpi.number)
        return ChannelSettings(
            channel,
            scale * self.profile.vertical_divisions,
            ask(f"{root}:OFFSet?", scpi.number) - position * scale,
            ask(f"{root}:COUPling?", lambda a: scpi.keyword(a, _COUPLINGS)),
            ask(f"{root}:TERmination?", _impedance)
            if not self.impedance_is_fixed
            else self.profile.input_impedances[0],
            ask(f"{root}:BANdwidth?", self._bandwidth),
            ask(f"SELect:{root}?", scpi.boolean),
        )

    def _bandwidth(self, answer: str) -> float | None:
        if answer.strip().upper().startswith("FUL"):
            return None
        limit = scpi.number(answer)
        return None if limit >= 0.9 * self.profile.bandwidth else limit

    def configure_acquisition(self, wanted: AcquisitionRequest) -> AcquisitionState:
        """Set up time base and record length; the sample rate is their ratio."""
        self.check_segments(wanted)
        with self.configuring("setting up the acquisition"):
            self.set_all("ACQuire:STATE OFF", "ACQuire:MODe SAMple", "ACQuire:STOPAfter SEQuence")
            scale = self.set_at_least(
                wanted.time_per_record / _DIVISIONS, "HORizontal:SCAle {}", "HORizontal:SCAle?"
            )
            length = self.profile.record_length_for(scale * _DIVISIONS * wanted.minimum_sample_rate)
            self.link.write(f"HORizontal:RECOrdlength {length}")
            self._set_frames(wanted.segments)
            self._place(wanted.acquisition_start_time)
            got = self._acquisition(wanted.segments)
        self.check_acquisition(wanted, got)
        return got

    def _set_frames(self, segments: int) -> None:
        if self.profile.maximum_segments == 1:
            return
        self.link.write(f"HORizontal:FASTframe:STATE {'ON' if segments > 1 else 'OFF'}")
        if segments > 1:
            # A summary frame would take the place of the last record.
            self.set_all(
                f"HORizontal:FASTframe:COUNt {segments}", "HORizontal:FASTframe:SUMFrame NONe"
            )

    def _place(self, start: float) -> None:
        """Put the first sample at ``start``: by position inside the record, by delay beyond it."""
        length = self.link.ask("HORizontal:RECOrdlength?", scpi.number)
        span = length / self.link.ask("HORizontal:SAMPLERate?", scpi.positive)
        percent = -start / span * 100
        if 0 <= percent <= 100:
            self.set_all("HORizontal:DELay:MODe OFF", f"HORizontal:POSition {percent:.4f}")
        else:
            self.set_all(
                "HORizontal:DELay:MODe ON",
                "HORizontal:POSition 50",
                f"HORizontal:DELay:TIMe {start + span / 2:.6E}",
            )

    def _acquisition(self, segments: int) -> AcquisitionState:
        ask = self.link.ask
        length = ask("HORizontal:RECOrdlength?", scpi.integer)
        rate = ask("HORizontal:SAMPLERate?", scpi.positive)
        span = length / rate
        if ask("HORizontal:DELay:MODe?", scpi.boolean):
            start = ask("HORizontal:DELay:TIMe?", scpi.number) - span / 2
        else:
            start = -ask("HORizontal:POSition?", scpi.number) / 100 * span
        if segments > 1:
            segments = ask("HORizontal:FASTframe:COUNt?", scpi.integer)
        return AcquisitionState(length, rate, span, start, segments)

    def configure_edge_trigger(self, wanted: TriggerSettings) -> TriggerSettings:
        """Set up a normal-sweep edge trigger and return what was read back."""
        if wanted.source == "external":
            source, level = "EXT", "TRIGger:A:LEVel"
        else:
            self.check_channel_number(wanted.source)
            source, level = f"CH{wanted.source}", "TRIGger:A:LEVel"
        slope = {meaning: word for word, meaning in SLOPES.items()}[wanted.slope]
        with self.configuring("setting up the trigger"):
            self.set_all(
                "TRIGger:A:TYPe EDGE",
                "TRIGger:A:MODe NORMal",
                f"TRIGger:A:EDGE:SOUrce {source}",
                f"TRIGger:A:EDGE:SLOpe {slope}",
                "TRIGger:A:EDGE:COUPling DC",
                f"{level} {wanted.level:.6E}",
            )
            sweep = self.link.query("TRIGger:A:MODe?")
            self.check_normal_sweep(sweep.strip().upper().startswith("NORM"), sweep)
            return TriggerSettings(
                self.link.ask("TRIGger:A:EDGE:SOUrce?", trigger_source),
                self.link.ask(f"{level}?", scpi.number),
                self.link.ask("TRIGger:A:EDGE:SLOpe?", lambda a: scpi.keyword(a, SLOPES)),
            )

    # -- one arming ------------------------------------------------------------------------------
    def before_arming(self) -> None:
        """Stop first, as the maker's order is; one sequence, then stop."""
        self.set_all("ACQuire:STATE OFF", "ACQuire:STOPAfter SEQuence")

    def arm(self) -> None:
        """Start one sequence."""
        self.link.write("ACQuire:STATE ON")

    def arming_confirmed(self) -> bool:
        """Ask whether it is busy, or has acquired already."""
        return self._busy() or self._acquired()

    def acquisition_status(self) -> AcquisitionStatus:
        """Ask ``BUSY?``; the trigger state, which lags, only tells how a busy one stands."""
        if not self._armed:
            return AcquisitionStatus.IDLE
        if self._busy():
            return self.link.ask("TRIGger:STATE?", lambda a: scpi.keyword(a, _STATES))
        if self._acquired():
            return AcquisitionStatus.COMPLETE
        return AcquisitionStatus.IDLE if self._confirmed else AcquisitionStatus.UNKNOWN

    def _busy(self) -> bool:
        return self.link.ask("BUSY?", scpi.boolean)

    def _acquired(self) -> bool:
        """Whether the sequence took a record; a stop by hand leaves the count at zero."""
        return self.link.ask("ACQuire:NUMACq?", scpi.integer) > 0

    def stop(self) -> None:
        """Stop."""
        self.link.write("ACQuire:STATE OFF")

    def stopped(self) -> bool:
        """Ask whether it is idle."""
        return not self._busy()

    # -- data ------------------------------------------------------------------------------------
    def fetch(self, channel: int, segment: int = 0) -> Trace:
        """Read one channel: source and format first, then preamble, then curve."""
        self.check_channel_number(channel)
        self.check_segment(segment)
        bytes_per_code = self.profile.code_bits // 8
        length = self.link.ask("HORizontal:RECOrdlength?", scpi.integer)
        self.choose("DATa:SOUrce", f"CH{channel}")
        self.set_all(
            "DATa:ENCdg SRIbinary",
            f"DATa:WIDth {bytes_per_code}",
            "DATa:STARt 1",
            f"DATa:STOP {length}",
        )
        if self._segments > 1:
            self.choose("DATa:FRAMESTARt", f"{segment + 1}")
            self.choose("DATa:FRAMESTOP", f"{segment + 1}")
        fields = {name: self.link.query(f"{self.PREAMBLE}:{name}?") for name in _FIELDS}
        with self.naming_the_instrument():
            scale = scaling(fields)
        seen = self.read_codes("CURVe?", scale.points, width=scale.width, unsigned=False)
        self.complain(f"the curve of channel {channel}")
        preamble = ";".join(f"{name} {value}" for name, value in fields.items())
        old = self.TIMES_FROM_TRIGGER
        return self.as_configured(trace(seen, scale, self.profile.bits, preamble, old=old))

    def count_segments(self) -> int:
        """Ask how many frames there are to read."""
        self.set_all("DATa:FRAMESTARt 1", f"DATa:FRAMESTOP {self._segments}")
        return self.link.ask("WFMOutpre:NR_FR?", scpi.integer)

    def segment_times(self) -> TriggerTimes:
        """Ask the frames' time stamps, which are times of day to a picosecond."""
        channel = min(self._enabled, default=1)
        query = f"HORizontal:FASTframe:TIMEStamp:ALL:CH{channel}? 1,{self._segments}"
        return TriggerTimes(self.link.ask(query, frame_times), "instrument")


def trace(seen: SeenCodes, scale: Scaling, bits: int, preamble: str, *, old: bool = False) -> Trace:
    """Return the record that codes and preamble describe."""
    return saturating_trace(
        seen,
        gain=scale.y_multiplier,
        offset=scale.offset,
        start=scale.start(old=old),
        step=scale.x_increment,
        bits=bits,
        width=scale.width,
        preamble=preamble,
    )


def _impedance(answer: str) -> float:
    word = answer.strip().upper()
    if word in {"FIF", "FIFTY"}:
        return 50.0
    if word == "MEG":
        return 1e6
    return scpi.number(answer)


def trigger_source(answer: str) -> TriggerSource:
    """Return the input that an answer such as ``CH2`` names."""
    word = answer.strip().upper()
    if word.startswith(("EXT", "AUX")):
        return "external"
    if word.startswith("CH"):
        return scpi.integer(word.removeprefix("CH"))
    raise AnswerError(f"expected an input as trigger source, got {scpi.shown(answer)}")
