"""The twin of the bigger ``:WAVeform:PREamble`` family with signed codes and a headers switch.

Rules from the maker's programmer's references (as collected in the project's dialect facts,
section 3): headers are on until ``:SYSTem:HEADer OFF``; BYTE and WORD are signed; 125 (31232) is
a hole; the preamble begins with the ten fields of its smaller relative and goes on with ranges,
date, frame and units; the X reference is 0; ``:WAVeform:DATA? [start[,size]]``; in segmented
mode the count field is the number of segments. From memory: ``INPut`` joins coupling and
impedance, the trigger level takes the channel, ``:ADER?`` is read and cleared, record length and
rate can be set, headers come back with ``*RST``, clipped codes saturate at 124.
"""

from __future__ import annotations

import math

from simulated_instruments.acquisition import State
from simulated_instruments.dialects.keysight_infiniivision import KeysightInfiniivision
from simulated_instruments.digitiser import Codes, Timing
from simulated_instruments.scope import as_bytes, encoded, nr3
from simulated_instruments.scpi import Block, Buffer, Command, Reply, Suffixes
from simulated_instruments.status import ScpiError
from simulated_instruments.values import Boolean, Choice, Integer, Number, Source

INPUTS = {"DC": ("DC", 1e6), "DC50": ("DC", 50.0), "AC": ("AC", 1e6)}
ACQUISITION_DONE, WAITING = 1, 1 << 5
REPLACED = (
    "CHANnel<n>:COUPling",
    "CHANnel<n>:IMPedance",
    "TRIGger:SWEep",
    "TRIGger[:EDGE]:SOURce",
    "TRIGger[:EDGE]:LEVel",
    "TRIGger[:EDGE]:SLOPe",
    "TRIGger[:EDGE]:COUPling",
    "TRIGger[:EDGE]:REJect",
    "OPERegister:CONDition",
    "ACQuire:POINts",
    "ACQuire:SRATe",
    "ACQuire:TYPE",
    "ACQuire:MODE",
    "WAVeform:UNSigned",
    "WAVeform:POINts:MODE",
    "WAVeform:POINts",
    "WAVeform:DATA",
    "SYSTem:HEADer",
    "SYSTem:ERRor[:NEXT]",
)
"""Commands of the smaller relative that this family does not have, or has otherwise."""


class KeysightInfiniium(KeysightInfiniivision):
    """QI-9254."""

    def reset(self) -> None:
        """Do what ``*RST`` does."""
        self._header, self._streaming = True, False
        self._wanted_points, self._wanted_rate = 0, 0.0
        self._done_read = 0
        super().reset()
        self._unsigned = False

    def table(self) -> tuple[Command, ...]:
        """Return the commands of this family."""
        kept = [c for c in super().table() if c.header not in REPLACED]
        trigger = self.acquisition
        return (
            *kept,
            self.switch("SYSTem:HEADer", "_header"),
            Command(
                "SYSTem:ERRor",
                query=self._error_query,
                asks=(Choice("NUMBer|STRing"),),
                optional=1,
            ),
            Command("CHANnel<n>:INPut", (Choice("DC|DC50|AC"),), self._set_input, self._input),
            Command(
                "TRIGger:SWEep",
                (Choice("AUTO|TRIGgered|SINGle"),),
                lambda _, v: trigger.set_trigger(auto=v == "AUTO"),
                lambda _: "AUTO" if trigger.trigger.auto else "TRIG",
            ),
            Command(
                "TRIGger:EDGE:SOURce",
                (Source("CHANnel", "AUX|LINE"),),
                self._set_trigger_source,
                lambda _: f"CHAN{trigger.trigger.source}" if trigger.trigger.source else "AUX",
            ),
            Command(
                "TRIGger:EDGE:SLOPe",
                (Choice("POSitive|NEGative"),),
                lambda _, v: trigger.set_trigger(rising=v == "POS"),
                lambda _: "POS" if trigger.trigger.rising else "NEG",
            ),
            self.remember("TRIGger:EDGE:COUPling", Choice("AC|DC|LFReject|HFReject"), "DC"),
            Command(
                "TRIGger:LEVel",
                (Source("CHANnel", "AUX"), Number("V")),
                lambda s, source, v: self._set_level(s, v, source),
                self._level,
                asks=(Source("CHANnel", "AUX"),),
            ),
            *self._acquire_table(),
        )

    def _acquire_table(self) -> tuple[Command, ...]:
        return (
            Command("ADER", query=self._done_event),
            Command("ASTate", query=lambda _: "ADONE" if self.acquisition.stopped() else "ARM"),
            Command("OPERegister:CONDition", query=lambda _: str(self._operation())),
            Command(
                "ACQuire:MODE",
                (Choice("RTIMe|SEGMented"),),
                self._set_mode,
                lambda _: "SEGM" if self._segmented else "RTIM",
            ),
            Command(
                "ACQuire:POINts[:ANALog]",
                (Integer((("AUTO", 0.0),)),),
                self._set_record,
                lambda _: str(self.acquisition.told_timing().samples),
            ),
            Command("ACQuire:POINts:AUTO", (Boolean(),), self._set_points_auto, self._points_auto),
            Command(
                "ACQuire:SRATe[:ANALog]",
                (Number("SA/S", (("AUTO", 0.0), ("MAX", math.inf))),),
                self._set_rate,
                lambda _: nr3(1 / self.acquisition.told_timing().step),
            ),
            Command("ACQuire:SRATe:AUTO", (Boolean(),), self._set_rate_auto, self._rate_auto),
            self.remember("ACQuire:INTerpolate", Boolean(), "0"),
            self.remember("ACQuire:AVERage", Boolean(), "0"),
            self.switch("WAVeform:STReaming", "_streaming"),
            Command("WAVeform:POINts", query=lambda _: str(self.acquisition.told_timing().samples)),
            self.remember("WAVeform:VIEW", Choice("ALL|MAIN"), "ALL"),
            Command("WAVeform:DATA", query=self._part, asks=(Integer(), Integer()), optional=2),
            Command("WAVeform:SEGMented:XLISt", query=self._time_list),
            self.switch("WAVeform:SEGMented:ALL", "_all_segments"),
        )

    _all_segments = False

    def format_reply(self, mnemonics: tuple[str, ...], value: Reply) -> Reply:
        """Put the header ahead of a reply while headers are on."""
        if not self._header or mnemonics[0].startswith("*"):
            return value
        name = ":" + ":".join("".join(c for c in m if not c.islower()) for m in mnemonics) + " "
        if isinstance(value, Block):
            return Block(value.length, value.pieces, value.digits, name.encode())
        return name + value if isinstance(value, str) else name.encode() + value

    def _error_query(self, _: Suffixes, form: str = "NUMB") -> str:
        code, text = self.status.pop()
        return f'{code},"{text}"' if form == "STR" else str(code)

    # -- inputs and record ---------------------------------------------------------------------
    def _set_input(self, suffixes: Suffixes, word: str) -> None:
        coupling, impedance = INPUTS[word]
        self.acquisition.set_channel(suffixes[0], coupling=coupling, impedance=impedance)

    def _input(self, suffixes: Suffixes) -> str:
        channel = self.acquisition.channel(suffixes[0])
        held = (channel.coupling, channel.impedance)
        return next(word for word, pair in INPUTS.items() if pair == held)

    def _set_record(self, _: Suffixes, samples: int) -> None:
        self._wanted_points = min(max(samples, 0), self.model.memory)
        self._retime()
        if samples != self._wanted_points:
            raise ScpiError(-222, str(samples))

    def _set_rate(self, _: Suffixes, rate: float) -> None:
        self._wanted_rate = self.model.maximum_rate if math.isinf(rate) else rate
        self._retime()

    def _set_points_auto(self, _: Suffixes, on: bool) -> None:
        self._wanted_points = 0 if on else self.acquisition.told_timing().samples
        self._retime()

    def _points_auto(self, _: Suffixes) -> str:
        return str(int(not self._wanted_points))

    def _set_rate_auto(self, _: Suffixes, on: bool) -> None:
        self._wanted_rate = 0.0 if on else 1 / self.acquisition.told_timing().step
        self._retime()

    def _rate_auto(self, _: Suffixes) -> str:
        return str(int(not self._wanted_rate))

    def _retime(self) -> None:
        rates = [self.model.maximum_rate / d for d in (1, 2, 4, 8, 20, 40, 80, 200, 400, 800, 2e3)]
        memory = self.model.memory // (self._segments if self._segmented else 1)
        points = self._wanted_points or min(100_000, memory)
        ceiling = self._wanted_rate or self.model.maximum_rate
        if self._wanted_points or not self._wanted_rate:
            ceiling = min(ceiling, points / self._span * 1.0001)
        rate = next((r for r in rates if r <= ceiling * 1.0001), rates[-1])
        samples = min(max(16, round(self._span * rate)), memory)
        left = {"LEFT": 0.0, "CENT": 0.5, "RIGH": 1.0}[self._reference]
        self.acquisition.set_timing(Timing(samples, 1 / rate, self._position - left * self._span))

    # -- acquisition ---------------------------------------------------------------------------
    def _done_event(self, _: Suffixes) -> str:
        over, before = self.acquisition.over(), self._done_read
        if over:
            self._done_read = self.acquisition.triggers
        return f"{int(over and self._done_read > before)}"

    def _operation(self) -> int:
        state = self.acquisition.state()
        if state is State.STOPPED:
            return ACQUISITION_DONE
        return WAITING if state is State.WAITING else 0

    # -- waveform ------------------------------------------------------------------------------
    def _transfer(self) -> tuple[int, int]:
        return 1, self.acquisition.told_timing().samples

    def _preamble(self, suffixes: Suffixes) -> str:
        record = self._record()
        channel = record.channels[self._source - 1]
        head = super()._preamble(suffixes).split(",")
        head[0] = {"BYTE": "1", "WORD": "2", "ASC": "0"}[self._format]
        head[1] = "1"
        head[3] = str(len(self.acquisition.records)) if self._segmented else "1"
        span = record.timing.samples * record.timing.step
        tail = (
            {"DC": "2", "AC": "0"}[channel.coupling] if channel.impedance != 50 else "3",
            nr3(span),
            nr3(record.timing.start),
            nr3(channel.range * channel.probe),
            nr3((channel.offset - channel.range / 2) * channel.probe),
            '"25 NOV 2026"',
            '"08:00:00:00"',
            f'"{self.model.model}:{self.identity[2]}"',
            "2",
            "100",
            "2",
            "1",
            nr3(self.model.bandwidth),
            nr3(0.0),
        )
        return ",".join([*head, *tail])

    def _part(self, suffixes: Suffixes, start: int = 1, size: int = 0) -> Block:
        self._record()
        whole = self.acquisition.told_timing().samples
        first = min(max(start, 1), whole) - 1
        count = min(size or whole, whole - first)
        if self._format == "ASC":
            return self._data(suffixes)
        segments = [self._index - 1 if self._segmented else 0]
        if self._segmented and self._all_segments:
            segments, first, count = list(range(len(self.acquisition.records))), 0, whole
        width = 2 if self._format == "WORD" else 1
        pieces = (
            codes
            for segment in segments
            for codes in self.acquisition.pieces(self._source, segment, first, count)
        )
        if self._streaming:
            raise ScpiError(-221, "streaming is not simulated: send :WAVeform:STReaming OFF")
        return Block(count * width * len(segments), encoded(pieces, self._encode))

    def _encode(self, codes: Codes) -> Buffer:
        if self._format == "BYTE":
            return as_bytes(codes.astype("i1"))
        order = ">" if self._order == "MSBF" else "<"
        return as_bytes((codes.astype("i4") * 256).astype(f"{order}i2"))

    def _time_list(self, _: Suffixes) -> str:
        records = self.acquisition.records
        return ",".join(nr3(r.time - records[0].time) for r in records)
