"""The twin of the older ``CURVe?`` family: ``WFMPre?``, ``TRIGger:MAIn``, ``VOLts``.

Rules from the maker's programmer manuals (as collected in the project's dialect facts, section
4): X = XZEro + XINcr * (n - PT_Off), n from 0, PT_Off the trigger's sample; the record has 2500
points; no offset, only POSition in divisions; no 50 ohm; the trigger state may also be read
while it lags. From memory: ``HORizontal:MAIn:POSition`` is the time of the screen centre, the
fields of ``WFMPre?``.
"""

from __future__ import annotations

from simulated_instruments.dialects.tektronix import Tektronix
from simulated_instruments.dialects.tektronix_waveform import value
from simulated_instruments.digitiser import Timing
from simulated_instruments.scpi import Command
from simulated_instruments.values import Choice, Number, Source

GONE = (
    "CH<x>:BANdwidth",
    "CH<x>:OFFSet",
    "CH<x>:TERmination",
    "HORizontal:SCAle",
    "HORizontal:POSition",
    "HORizontal:RECOrdlength",
    "HORizontal:SAMPLERate",
    "EVMsg",
    "ACQuire:NUMACq",
)
"""Commands of the newer relative that this one does not have, or has otherwise."""
FIELDS = (
    "BYT_Nr", "BIT_Nr", "ENCdg", "BN_Fmt", "BYT_Or", "NR_Pt", "WFId", "PT_Fmt", "XINcr", "PT_Off",
    "XZEro", "XUNit", "YMUlt", "YZEro", "YOFf", "YUNit",
)  # fmt: skip


class TektronixOld(Tektronix):
    """QT-2014."""

    def reset(self) -> None:
        """Do what ``*RST`` does."""
        super().reset()
        self._length, self._stop = 2_500, 2_500
        self._delay = 0.0
        self._retime()

    def table(self) -> tuple[Command, ...]:
        """Return the commands of this family."""
        kept = [c for c in super().table() if not self._replaced(c.header)]
        trigger = self.acquisition
        return (
            *kept,
            Command(
                "CH<x>:BANdwidth",  # T4 p2-5: the limit is ON or OFF
                (Choice("ON|OFF"),),
                lambda s, v: self.acquisition.set_channel(
                    s[0], bandwidth=20e6 if v == "ON" else 0.0
                ),
                lambda s: "ON" if self.acquisition.channel(s[0]).bandwidth else "OFF",
            ),
            Command("CH<x>:VOLts", (Number("V"),), self._set_scale, self._volts_per_division),
            Command(
                "HORizontal[:MAIn]:SCAle",
                (Number("S"),),
                self._set_time,
                lambda _: value(self._scale),
            ),
            Command(
                "HORizontal[:MAIn]:POSition",
                (Number("S"),),
                self._set_delay,
                lambda _: value(self._delay),
            ),
            Command("HORizontal:RECOrdlength", query=lambda _: "2500"),
            self.remember("TRIGger:MAIn:TYPe", Choice("EDGE"), "EDGE"),
            Command(
                "TRIGger:MAIn:EDGE:SOUrce",
                (Source("CH", "EXT|EXT5|LINE"),),
                self._set_trigger_source,
                lambda _: f"CH{trigger.trigger.source}" if trigger.trigger.source else "EXT",
            ),
            Command(
                "TRIGger:MAIn:EDGE:SLOpe",
                (Choice("RISe|FALL"),),
                lambda _, v: trigger.set_trigger(rising=v == "RIS"),
                lambda _: "RISE" if trigger.trigger.rising else "FALL",
            ),
            self.remember("TRIGger:MAIn:EDGE:COUPling", Choice("DC|AC|HFRej|LFRej"), "DC"),
            Command("TRIGger:MAIn:LEVel", (Number("V"),), self._set_level, self._level),
            Command(
                "TRIGger:MAIn:MODe",
                (Choice("AUTO|NORMal"),),
                lambda _, v: trigger.set_trigger(auto=v == "AUTO"),
                lambda _: "AUTO" if trigger.trigger.auto else "NORMAL",
            ),
            Command(
                "TRIGger:MAIn:HOLDOff:VALue",
                (Number("S"),),
                lambda _s, _v: None,
                lambda _: value(5e-7),
            ),
            Command("WFMPre", query=self._whole_preamble),
            *(
                Command(f"WFMPre:{name}", query=lambda _, key=name: self._preamble()[key])
                for name in FIELDS
            ),
        )

    @staticmethod
    def _replaced(header: str) -> bool:
        newer = (
            "WFMOutpre",
            "TRIGger:A:",
            "HORizontal:FASTframe",
            "HORizontal:DELay",
            "DATa:FRAME",
        )
        return header in GONE or header.startswith(newer)

    def _retime(self) -> None:
        span = self._scale * self.model.horizontal_divisions
        step = span / 2_500
        self.acquisition.set_timing(Timing(2_500, step, self._delay - span / 2))

    def _preamble(self) -> dict[str, str]:
        fields = super()._preamble()
        record, _ = self._active()
        first, _count = self._window(record)
        whole = round(-record.timing.start / record.timing.step)
        rest = record.timing.start + whole * record.timing.step + record.lag
        fields |= {"PT_Off": str(whole - first), "XZEro": f"{rest:.10E}"}
        return {name: fields[name] for name in FIELDS}
