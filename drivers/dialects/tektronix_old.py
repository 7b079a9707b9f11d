"""Tektronix TDS200, TDS1000, TDS2000 and TPS2000: the older spelling of the ``CURVe?`` family.

In kind: 2500 points whatever the time base, no offset (the centre is moved by POSition, in
divisions), no 50 ohm, and a preamble that counts time from the trigger's own sample.

Where the facts come from, and which stay unconfirmed on hardware: drivers/README.md.
"""

from __future__ import annotations

from typing import ClassVar

from drivers import scpi
from drivers.dialects.tektronix import SLOPES, Tektronix, trigger_source
from drivers.scope import (
    AcquisitionRequest,
    AcquisitionState,
    ChannelSettings,
    TriggerSettings,
)

_DIVISIONS = 10
_POINTS = 2500
_BANDWIDTH_LIMIT = 20e6  # Hz


class TektronixOld(Tektronix):
    """One scope of the older spelling."""

    PREAMBLE: ClassVar[str] = "WFMPre"
    TIMES_FROM_TRIGGER: ClassVar[bool] = True
    SETTINGS: ClassVar[tuple[str, ...]] = (
        "CH{n}:VOLts?",
        "CH{n}:POSition?",
        "CH{n}:COUPling?",
        "CH{n}:BANdwidth?",
        "HORizontal:MAIn:SCAle?",
        "HORizontal:MAIn:POSition?",
        "HORizontal:RECOrdlength?",
        "ACQuire:MODe?",
        "ACQuire:STOPAfter?",
        "TRIGger:MAIn:TYPe?",
        "TRIGger:MAIn:MODe?",
        "TRIGger:MAIn:EDGE:SOUrce?",
        "TRIGger:MAIn:EDGE:SLOpe?",
        "TRIGger:MAIn:EDGE:COUPling?",
        "TRIGger:MAIn:LEVel?",
    )

    def after_reset(self) -> None:
        """Stop; no automatic sweep from here on."""
        self.set_all("ACQuire:STATE OFF", "TRIGger:MAIn:MODe NORMal")

    # -- configuration ---------------------------------------------------------------------------
    def configure_channel(self, wanted: ChannelSettings) -> ChannelSettings:
        """Set up one input and return what was read back."""
        self.check_channel(wanted)
        limited = self.check_bandwidth_limit(wanted, _BANDWIDTH_LIMIT)
        root = f"CH{wanted.channel}"
        scale = wanted.vertical_range / self.profile.vertical_divisions
        with self.configuring(f"setting up channel {wanted.channel}"):
            self.set_all(
                f"SELect:{root} {'ON' if wanted.enabled else 'OFF'}",
                f"{root}:COUPling {wanted.coupling}",
                f"{root}:BANdwidth {'ON' if limited else 'OFF'}",
                f"{root}:VOLts {scale:.6E}",
            )
            real = self.link.ask(f"{root}:VOLts?", scpi.positive)
            self.link.write(f"{root}:POSition {-wanted.vertical_offset / real:.4f}")
            got = self._channel(wanted.channel)
        return self.enable(got)

    def _channel(self, channel: int) -> ChannelSettings:
        root, ask = f"CH{channel}", self.link.ask
        scale = ask(f"{root}:VOLts?", scpi.positive)
        return ChannelSettings(
            channel,
            scale * self.profile.vertical_divisions,
            0.0 - ask(f"{root}:POSition?", scpi.number) * scale,
            ask(f"{root}:COUPling?", lambda a: scpi.keyword(a, {"DC": "DC", "AC": "AC"})),
            self.profile.input_impedances[0],
            _BANDWIDTH_LIMIT if ask(f"{root}:BANdwidth?", scpi.boolean) else None,  # T4 p2-5
            ask(f"SELect:{root}?", scpi.boolean),
        )

    def configure_acquisition(self, wanted: AcquisitionRequest) -> AcquisitionState:
        """Set up the time base; 2500 points cover it."""
        self.check_segments(wanted)
        with self.configuring("setting up the acquisition"):
            self.set_all("ACQuire:STATE OFF", "ACQuire:MODe SAMple", "ACQuire:STOPAfter SEQuence")
            scale = self.set_at_least(
                wanted.time_per_record / _DIVISIONS,
                "HORizontal:MAIn:SCAle {}",
                "HORizontal:MAIn:SCAle?",
            )
            middle = wanted.acquisition_start_time + scale * _DIVISIONS / 2
            self.link.write(f"HORizontal:MAIn:POSition {middle:.6E}")
            got = self._acquisition(wanted.segments)
        self.check_acquisition(wanted, got)
        return got

    def _acquisition(self, segments: int) -> AcquisitionState:
        span = self.link.ask("HORizontal:MAIn:SCAle?", scpi.positive) * _DIVISIONS
        middle = self.link.ask("HORizontal:MAIn:POSition?", scpi.number)
        return AcquisitionState(_POINTS, _POINTS / span, span, middle - span / 2, segments)

    def configure_edge_trigger(self, wanted: TriggerSettings) -> TriggerSettings:
        """Set up a normal-sweep edge trigger and return what was read back."""
        if wanted.source == "external":
            source = "EXT"
        else:
            self.check_channel_number(wanted.source)
            source = f"CH{wanted.source}"
        slope = {meaning: word for word, meaning in SLOPES.items()}[wanted.slope]
        with self.configuring("setting up the trigger"):
            self.set_all(
                "TRIGger:MAIn:TYPe EDGE",
                "TRIGger:MAIn:MODe NORMal",
                f"TRIGger:MAIn:EDGE:SOUrce {source}",
                f"TRIGger:MAIn:EDGE:SLOpe {slope}",
                "TRIGger:MAIn:EDGE:COUPling DC",
                f"TRIGger:MAIn:LEVel {wanted.level:.6E}",
            )
            sweep = self.link.query("TRIGger:MAIn:MODe?")
            self.check_normal_sweep(sweep.strip().upper().startswith("NORM"), sweep)
            return TriggerSettings(
                self.link.ask("TRIGger:MAIn:EDGE:SOUrce?", trigger_source),
                self.link.ask("TRIGger:MAIn:LEVel?", scpi.number),
                self.link.ask("TRIGger:MAIn:EDGE:SLOpe?", lambda a: scpi.keyword(a, SLOPES)),
            )

    def _acquired(self) -> bool:
        """Take a sequence that is no longer busy as acquired: nothing here counts records."""
        return True
