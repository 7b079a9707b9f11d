"""The twin of the ``CURVe?`` / ``WFMOutpre`` family.

Rules from the maker's programmer manuals (as collected in the project's dialect facts, section
4): headers are on until ``HEADer OFF``; ``DATa`` settings choose what ``CURVe?`` sends, 1-based
and inclusive, and do not follow the record length; codes are signed with RI encodings; V = (code
- YOFf) * YMUlt + YZEro; OFFSet is subtracted, POSition moves up by divisions; a waveform that is
not displayed gives no answer and the events 2244 and 420; events are readable only after
``*ESR?``. From memory: headers come back on with ``*RST``, the wording of events without an
entry, delay mode on after reset, 1-2-4 time base.
"""

from __future__ import annotations

from simulated_instruments.acquisition import State
from simulated_instruments.dialects.tektronix_waveform import TektronixWaveform, value
from simulated_instruments.digitiser import Timing
from simulated_instruments.scpi import Block, Command, Reply, Suffixes
from simulated_instruments.status import ScpiError
from simulated_instruments.values import Boolean, Choice, Integer, Number, Quoted, Source

EVENTS = {
    2244: "Source waveform is not active",
    420: "Query UNTERMINATED",
    2241: "Waveform request is invalid",
}
SCALES = tuple(m * 10.0**e for e in range(-9, 3) for m in (1, 2, 4))
"""Time per division: 1-2-4. [s]"""


class Tektronix(TektronixWaveform):
    """QC-4104."""

    def device_errors(self) -> dict[int, str]:
        """Return the event texts of this family."""
        return EVENTS

    def reset(self) -> None:
        """Do what ``*RST`` does."""
        super().reset()
        self._header, self._verbose = True, True
        self._scale, self._length = 4e-6, 10_000
        self._position, self._delay_mode, self._delay = 50.0, True, 0.0
        self._sequence = False
        self._frames_on, self._frames = False, 2
        self._positions = dict.fromkeys(range(1, self.model.channels + 1), 0.0)
        self._readable: list[tuple[int, str]] = []
        self._offsets = dict.fromkeys(range(1, self.model.channels + 1), 0.0)
        self.reset_data()
        self._retime()

    # -- table -------------------------------------------------------------------------------------
    def table(self) -> tuple[Command, ...]:
        """Return the commands of this family."""
        return (
            *self._system_table(),
            *self._channel_table(),
            *self._time_table(),
            *self._trigger_table(),
            *self._run_table(),
            *self.waveform_table(),
        )

    def _system_table(self) -> tuple[Command, ...]:
        return (
            self.switch("HEADer", "_header"),
            self.switch("VERBose", "_verbose"),
            Command("EVENT", query=lambda _: str(self._next_event()[0])),
            Command("EVMsg", query=lambda _: _event_text(self._next_event())),
            Command("EVQty", query=lambda _: str(len(self._readable))),
            Command("ALLEv", query=self._all_events),
            Command("BUSY", query=lambda _: str(int(self._busy()))),
        )

    def _channel_table(self) -> tuple[Command, ...]:
        volts = Number("V")
        return (
            self.show("SELect:CH<x>"),
            Command("CH<x>:SCAle", (volts,), self._set_scale, self._volts_per_division),
            Command("CH<x>:OFFSet", (volts,), self._set_offset, self._offset),
            Command(
                "CH<x>:POSition",
                (Number(),),
                self._set_position,
                lambda s: value(self._positions[s[0]]),
            ),
            Command(
                "CH<x>:COUPling",
                (Choice("AC|DC|DCREJect"),),
                lambda s, v: self.acquisition.set_channel(s[0], coupling=v),
                lambda s: self.acquisition.channel(s[0]).coupling,
            ),
            Command(
                "CH<x>:TERmination",
                (Number("OHM"),),
                self._set_termination,
                lambda s: value(self.acquisition.channel(s[0]).impedance),
            ),
            Command(
                "CH<x>:BANdwidth",
                (Number("HZ", (("FULl", 0.0), ("TWEnty", 20e6), ("TWOfifty", 250e6))),),
                self._set_bandwidth,
                lambda s: value(self.acquisition.channel(s[0]).bandwidth or self.model.bandwidth),
            ),
            Command(
                "CH<x>:PRObe:GAIN",
                (Number(),),
                lambda s, v: self.acquisition.set_channel(s[0], probe=1 / v),
                lambda s: value(1 / self.acquisition.channel(s[0]).probe),
            ),
            Command("CH<x>:YUNits", (Quoted(),), lambda _s, _v: None, lambda _: '"V"'),
        )

    def _time_table(self) -> tuple[Command, ...]:
        return (
            Command(
                "HORizontal:SCAle", (Number("S"),), self._set_time, lambda _: value(self._scale)
            ),
            Command(
                "HORizontal:POSition",
                (Number(),),
                self._set_place,
                lambda _: value(self._position),
            ),
            Command(
                "HORizontal:DELay:MODe",
                (Boolean(),),
                self._set_delay_mode,
                lambda _: str(int(self._delay_mode)),
            ),
            Command(
                "HORizontal:DELay:TIMe",
                (Number("S"),),
                self._set_delay,
                lambda _: value(self._delay),
            ),
            Command(
                "HORizontal:RECOrdlength",
                (Integer(),),
                self._set_length,
                lambda _: str(self._length),
            ),
            Command(
                "HORizontal:SAMPLERate", query=lambda _: value(1 / self.acquisition.timing.step)
            ),
            self.switch("HORizontal:FASTframe:STATE", "_frames_on"),
            Command(
                "HORizontal:FASTframe:COUNt",
                (Integer(),),
                self._set_frames,
                lambda _: str(self._frames),
            ),
            self.remember("HORizontal:FASTframe:SUMFrame", Choice("NONe|ENVelope|AVErage"), "NON"),
            Command(
                "HORizontal:FASTframe:TIMEStamp:ALL:CH<x>",
                query=self._time_stamps,
                asks=(Integer(), Integer()),  # from and to, as in the maker's guide T6, p344
            ),
        )

    def _trigger_table(self) -> tuple[Command, ...]:
        trigger = self.acquisition
        return (
            self.remember("TRIGger:A:TYPe", Choice("EDGe"), "EDG"),
            Command(
                "TRIGger:A:EDGE:SOUrce",
                (Source("CH", "EXT|LINE"),),
                self._set_trigger_source,
                lambda _: f"CH{trigger.trigger.source}" if trigger.trigger.source else "EXT",
            ),
            Command(
                "TRIGger:A:EDGE:SLOpe",
                (Choice("RISe|FALL"),),
                lambda _, v: trigger.set_trigger(rising=v == "RIS"),
                lambda _: "RISE" if trigger.trigger.rising else "FALL",
            ),
            self.remember("TRIGger:A:EDGE:COUPling", Choice("DC|AC|HFRej|LFRej|NOISErej"), "DC"),
            Command("TRIGger:A:LEVel", (Number("V"),), self._set_level, self._level),
            Command("TRIGger:A:LEVel:CH<x>", (Number("V"),), self._set_level, self._level),
            Command(
                "TRIGger:A:MODe",
                (Choice("AUTO|NORMal"),),
                lambda _, v: trigger.set_trigger(auto=v == "AUTO"),
                lambda _: "AUTO" if trigger.trigger.auto else "NORMAL",
            ),
            Command(
                "TRIGger:A:HOLDoff:TIMe", (Number("S"),), lambda _s, _v: None, lambda _: value(2e-8)
            ),
            Command("TRIGger:STATE", query=lambda _: self._trigger_state()),
            Command("TRIGger", (Choice("FORCe"),), lambda _s, _v: trigger.force()),
        )

    def _run_table(self) -> tuple[Command, ...]:
        return (
            self.remember("ACQuire:MODe", Choice("SAMple"), "SAM"),
            Command(
                "ACQuire:STOPAfter",
                (Choice("RUNSTop|SEQuence"),),
                lambda _, v: setattr(self, "_sequence", v == "SEQ"),
                lambda _: "SEQUENCE" if self._sequence else "RUNSTOP",
            ),
            Command(
                "ACQuire:STATE",
                (Choice("ON|OFF|RUN|STOP|0|1"),),
                self._set_state,
                lambda _: str(int(not self.acquisition.stopped())),
            ),
            Command("ACQuire:NUMACq", query=lambda _: str(len(self.acquisition.records))),
        )

    # -- headers and events ------------------------------------------------------------------------
    def format_reply(self, mnemonics: tuple[str, ...], value: Reply) -> Reply:
        """Put the header ahead of a reply while headers are on."""
        if not self._header or mnemonics[0].startswith("*"):
            return value
        name = ":" + ":".join(m.upper() if self._verbose else _short(m) for m in mnemonics) + " "
        if isinstance(value, Block):
            return Block(value.length, value.pieces, value.digits, name.encode())
        return name + value if isinstance(value, str) else name.encode() + value

    def common_commands(self) -> tuple[Command, ...]:
        """Return the common commands; here ``*ESR?`` also makes the events readable."""
        rows = [c for c in super().common_commands() if c.header != "*ESR"]
        return (*rows, Command("*ESR", query=self._event_status))

    def clear_status(self) -> None:
        """Do what ``*CLS`` does."""
        super().clear_status()
        self._readable = []

    def _event_status(self, _: Suffixes) -> str:
        self._readable = list(self.status.entries())
        register = self.status.read_event_status()
        while len(self.status):
            self.status.pop()
        return str(register)

    def _next_event(self) -> tuple[int, str]:
        if self._readable:
            return self._readable.pop(0)
        if len(self.status):
            return 1, "No events to report - new events pending *ESR?"
        return 0, "No events to report - queue empty"

    def _all_events(self, _: Suffixes) -> str:
        found = [self._next_event()]
        while self._readable:
            found.append(self._next_event())
        return ",".join(_event_text(e) for e in found)

    # -- inputs ------------------------------------------------------------------------------------
    def _set_scale(self, suffixes: Suffixes, volts: float) -> None:
        try:
            self.set_range(suffixes[0], volts * self.model.vertical_divisions)
        finally:
            self._recentre(suffixes[0])

    def _volts_per_division(self, suffixes: Suffixes) -> str:
        return value(self.range_volts(suffixes[0]) / self.model.vertical_divisions)

    def _set_offset(self, suffixes: Suffixes, volts: float) -> None:
        channel = self.acquisition.channel(suffixes[0])
        limit = 1.0 if channel.range <= 1 else 10.0 if channel.range <= 10 else 100.0
        wanted = volts / channel.probe
        self._offsets[suffixes[0]] = min(max(wanted, -limit), limit)
        self._recentre(suffixes[0])
        if abs(wanted) > limit:
            raise ScpiError(-222, value(volts))

    def _offset(self, suffixes: Suffixes) -> str:
        channel = self.acquisition.channel(suffixes[0])
        return value(self._offsets[suffixes[0]] * channel.probe)

    def _set_position(self, suffixes: Suffixes, divisions: float) -> None:
        self.acquisition.channel(suffixes[0])
        self._positions[suffixes[0]] = min(max(divisions, -5.0), 5.0)
        self._recentre(suffixes[0])

    def _recentre(self, number: int) -> None:
        """Set the level at screen centre, which follows from offset and position."""
        scale = self.acquisition.channel(number).range / self.model.vertical_divisions
        centre = self._offsets[number] - self._positions[number] * scale
        self.acquisition.set_channel(number, offset=centre)

    def _set_termination(self, suffixes: Suffixes, ohms: float) -> None:
        if ohms not in (50.0, 1e6):
            raise ScpiError(-224, value(ohms))
        self.acquisition.set_channel(suffixes[0], impedance=ohms)

    def _set_bandwidth(self, suffixes: Suffixes, hertz: float) -> None:
        limit = 0.0 if not hertz or hertz > 250e6 else 20e6 if hertz <= 20e6 else 250e6
        self.acquisition.set_channel(suffixes[0], bandwidth=limit)

    # -- time base ---------------------------------------------------------------------------------
    def _set_time(self, _: Suffixes, seconds: float) -> None:
        self._scale = next((s for s in SCALES if s >= seconds * 0.9999), SCALES[-1])
        self._retime()
        if not SCALES[0] * 0.999 <= seconds <= SCALES[-1] * 1.001:
            raise ScpiError(-222, value(seconds))

    def _set_place(self, _: Suffixes, percent: float) -> None:
        self._position = min(max(percent, 0.0), 100.0)
        self._retime()

    def _set_delay_mode(self, _: Suffixes, on: bool) -> None:
        self._delay_mode = on
        self._retime()

    def _set_delay(self, _: Suffixes, seconds: float) -> None:
        self._delay = seconds
        self._retime()

    def _set_length(self, _: Suffixes, samples: int) -> None:
        lengths = self.model.record_lengths
        self._length = min(lengths, key=lambda n: abs(n - samples))
        self._retime()
        if samples > lengths[-1]:
            raise ScpiError(-222, str(samples))

    def _retime(self) -> None:
        """Derive the sample interval; the record length is kept, so the span may grow."""
        span = self._scale * self.model.horizontal_divisions
        step = max(span / self._length, 1 / self.model.maximum_rate)
        span = step * self._length
        before = 0.5 * span - self._delay if self._delay_mode else self._position / 100 * span
        self.acquisition.set_timing(Timing(self._length, step, -before))

    def _set_frames(self, _: Suffixes, count: int) -> None:
        self._frames = min(max(count, 2), self.model.maximum_segments)
        if count != self._frames:
            raise ScpiError(-222, str(count))

    # -- trigger and acquisition -------------------------------------------------------------------
    def _set_trigger_source(self, _: Suffixes, source: int | str) -> None:
        if isinstance(source, int):
            self.acquisition.channel(source)
        self.acquisition.set_trigger(source=source if isinstance(source, int) else 0)

    def _set_level(self, suffixes: Suffixes, volts: float) -> None:
        number = self.acquisition.trigger.source
        if suffixes and suffixes[0] != number:
            return  # the level of another source
        probe = self.acquisition.channel(number).probe if number else 1.0
        self.acquisition.set_trigger(level=volts / probe)

    def _level(self, suffixes: Suffixes) -> str:
        number = self.acquisition.trigger.source
        if suffixes and suffixes[0] != number:
            return value(0.0)
        probe = self.acquisition.channel(number).probe if number else 1.0
        return value(self.acquisition.trigger.level * probe)

    def _set_state(self, _: Suffixes, word: str) -> None:
        if word in ("OFF", "STOP", "0"):
            self.acquisition.stop()
        elif self._sequence:
            self.acquisition.arm(self._frames if self._frames_on else 1)
        else:
            self.acquisition.arm(continuous=True)

    def _busy(self) -> bool:
        return not self.acquisition.stopped()

    def _trigger_state(self) -> str:
        if self.acquisition.stale:
            return "SAVE"
        names = {State.ARMING: "ARMED", State.WAITING: "READY", State.TRIGGERED: "TRIGGER"}
        return names.get(self.acquisition.state(), "SAVE")


def _short(mnemonic: str) -> str:
    return "".join(c for c in mnemonic if not c.islower())


def _event_text(event: tuple[int, str]) -> str:
    return f'{abs(event[0])},"{event[1]}"'
