"""What the older families with short headers such as ``C1:VDIV`` and ``TDIV`` have in common.

Rules (project's dialect facts, sections 6 and 9): a path ``C1:`` stays in force until another
one, yet headers without a path are found from anywhere; replies carry header and unit until
``CHDR OFF``; coupling and impedance are one word; a positive offset moves the trace up; out-of-
range values become the nearest and set bit 2 of the status byte; ``INR?`` reads and clears;
there is no error queue, only ``*ESR?``, ``CMR?`` and ``EXR?``, which clear when read. From
memory: numbers of ``CMR?`` and ``EXR?``, units of replies, headers come back with ``*RST``.
"""

from __future__ import annotations

from simulated_instruments.acquisition import State
from simulated_instruments.digitiser import Timing
from simulated_instruments.scope import SimulatedScope
from simulated_instruments.scpi import Block, Command, Path, Reply, Suffixes
from simulated_instruments.status import ScpiError
from simulated_instruments.values import Choice, Integer, Number, Raw, Source

NEW_ACQUISITION, SEGMENT_ACQUIRED, TRIGGER_READY = 1, 1 << 4, 1 << 13
VALUE_ADAPTED = 4
COUPLINGS = {
    "A1M": ("AC", 1e6),
    "A50": ("AC", 50.0),
    "D1M": ("DC", 1e6),
    "D50": ("DC", 50.0),
}
SCALES = tuple(m * 10.0**e for e in range(-9, 2) for m in (1, 2, 5))


class TwoCharacterScope(SimulatedScope):
    """The commands that both such families have."""

    longest_mnemonic = 20
    couplings: tuple[str, ...] = ("A1M", "D1M", "D50")
    aliases: tuple[tuple[str, str], ...] = ()

    def reset(self) -> None:
        """Do what ``*RST`` does."""
        super().reset()
        self._chdr = "SHORT"
        self._division, self._delay, self._size = 1e-6, 0.0, self.model.record_lengths[0]
        self._mode = "AUTO"
        self._inr, self._arms_seen, self._triggers_seen = 0, 0, 0
        self._cmr = self._exr = 0
        self._adapted = False
        self._sparse, self._number, self._first, self._segment = 0, 0, 0, 0
        self._retime()

    # -- table ---------------------------------------------------------------------------------
    def table(self) -> tuple[Command, ...]:
        """Return the commands of this family, with their long names."""
        rows = (*self._setting_table(), *self._run_table(), *self.own_table())
        names = dict(self.aliases)
        longer = [
            Command(
                _renamed(row.header, names),
                row.parameters,
                row.write,
                row.query,
                row.asks,
                row.optional,
                row.many,
            )
            for row in rows
            if row.header.rsplit(":", 1)[-1] in names
        ]
        return (*rows, *longer)

    def own_table(self) -> tuple[Command, ...]:
        """Return the commands that only this family has."""
        return ()

    def _setting_table(self) -> tuple[Command, ...]:
        trigger = self.acquisition
        volts = Number("V")
        return (
            Command(
                "CHDR",
                (Choice("OFF|SHORT|LONG"),),
                lambda _, v: setattr(self, "_chdr", v),
                lambda _: self._chdr,
            ),
            Command("C<n>:TRA", (Choice("ON|OFF"),), self._set_trace, self._trace),
            Command("C<n>:VDIV", (volts,), self._set_vdiv, self._vdiv),
            Command("C<n>:OFST", (volts,), self._set_offset, self._offset),
            Command("C<n>:CPL", (Raw(),), self._set_coupling, self._coupling),
            Command(
                "C<n>:ATTN",
                (Number(),),
                lambda s, v: self.acquisition.set_channel(s[0], probe=v),
                lambda s: f"{self.acquisition.channel(s[0]).probe:g}",
            ),
            Command("BWL", (Raw(), Raw()), self._set_limit, self._limits, many=True),
            Command(
                "TDIV",
                (Number("S"),),
                self._set_division,
                lambda _: self.unit(self._division, "S"),
            ),
            Command("TRDL", (Number("S"),), self._set_delay, lambda _: self.unit(self._delay, "S")),
            Command("TRSE", (Raw(), Raw(), Raw()), self._set_source, self._source, many=True),
            Command("C<n>:TRLV", (volts,), self._set_level, self._level),
            Command(  # the external input's path is EX (L1 p8)
                "EX:TRLV",
                (volts,),
                lambda _, v: None if trigger.trigger.source else trigger.set_trigger(level=v),
                lambda _: self.unit(0.0 if trigger.trigger.source else trigger.trigger.level, "V"),
            ),
            Command(
                "EX:TRSL",
                (Choice("POS|NEG"),),
                lambda _, v: trigger.set_trigger(rising=v == "POS"),
                lambda _: "POS" if trigger.trigger.rising else "NEG",
            ),
            self.remember("EX:TRCP", Choice("AC|DC|HFREJ|LFREJ"), "DC"),
            Command(
                "C<n>:TRSL",
                (Choice("POS|NEG"),),
                lambda _, v: trigger.set_trigger(rising=v == "POS"),
                lambda _: "POS" if trigger.trigger.rising else "NEG",
            ),
            self.remember("C<n>:TRCP", Choice("AC|DC|HFREJ|LFREJ"), "DC"),
        )

    def _run_table(self) -> tuple[Command, ...]:
        return (
            Command(
                "TRMD",
                (Choice("AUTO|NORM|SINGLE|STOP"),),
                self._set_mode,
                lambda _: "STOP" if self.acquisition.stopped() else self._mode,
            ),
            Command("ARM", write=self._arm),
            Command("STOP", write=lambda _: self.acquisition.stop()),
            Command("FRTR", write=lambda _: self.acquisition.force()),
            Command("INR", query=lambda _: str(self._read_inr())),
            Command("CMR", query=lambda _: str(self._take("_cmr"))),
            Command("EXR", query=lambda _: str(self._take("_exr"))),
            Command("WFSU", (Raw(), Raw()), self._set_window, self._window, many=True),
        )

    # -- replies and errors --------------------------------------------------------------------
    def unit(self, number: float, unit: str) -> str:
        """Return a number with its unit, which goes away together with the header."""
        return f"{number:.6E}" + ("" if self._chdr == "OFF" else unit)

    def find(self, header: str, path: Path) -> tuple[Command, Suffixes, tuple[str, ...], Path]:
        """Look a header up below the path in force, then from the root."""
        try:
            return super().find(header, path)
        except ScpiError:
            if header.startswith((":", "*")) or not path.mnemonics:
                self._cmr = 1
                raise
        command, suffixes, names, after = super().find(header, Path(self.root))
        return command, suffixes, names, after if after.mnemonics else path

    def format_reply(self, mnemonics: tuple[str, ...], value: Reply) -> Reply:
        """Put the header ahead of a reply while headers are on."""
        if self._chdr == "OFF":
            return value
        longer = dict(self.aliases) if self._chdr == "LONG" else {}
        name = ":".join(longer.get(m, m) for m in mnemonics) + " "
        if isinstance(value, Block):
            return Block(value.length, value.pieces, value.digits, name.encode() + value.prefix)
        return name + value if isinstance(value, str) else name.encode() + value

    def status_byte(self, message_available: bool) -> int:
        """Return the status byte; bit 2 says that a value was adapted."""
        byte = super().status_byte(message_available) & ~VALUE_ADAPTED
        return byte | (VALUE_ADAPTED if self._adapted else 0)

    def clear_status(self) -> None:
        """Do what ``*CLS`` does."""
        super().clear_status()
        self._cmr = self._exr = self._inr = 0
        self._adapted = False

    def refuse(self, number: int, detail: str) -> ScpiError:
        """Note an execution error in ``EXR?`` and return it."""
        self._exr = number
        return ScpiError(-200, detail)

    def _take(self, register: str) -> int:
        value = int(getattr(self, register))
        setattr(self, register, 0)
        return value

    # -- inputs --------------------------------------------------------------------------------
    def _set_trace(self, suffixes: Suffixes, word: str) -> None:
        self.acquisition.channel(suffixes[0])
        self.acquisition.set_channel(suffixes[0], enabled=word == "ON")
        self._retime()

    def _trace(self, suffixes: Suffixes) -> str:
        return "ON" if self.acquisition.channel(suffixes[0]).enabled else "OFF"

    def _set_vdiv(self, suffixes: Suffixes, volts: float) -> None:
        try:
            self.set_range(suffixes[0], volts * self.model.vertical_divisions)
        except ScpiError:
            self._adapted = True

    def _vdiv(self, suffixes: Suffixes) -> str:
        return self.unit(self.range_volts(suffixes[0]) / self.model.vertical_divisions, "V")

    def _set_offset(self, suffixes: Suffixes, volts: float) -> None:
        channel = self.acquisition.channel(suffixes[0])
        try:
            self.set_centre(suffixes[0], -volts, 2.0 if channel.range < 4 else 50.0)
        except ScpiError:
            self._adapted = True

    def _offset(self, suffixes: Suffixes) -> str:
        return self.unit(-self.centre_volts(suffixes[0]) + 0.0, "V")

    def _set_coupling(self, suffixes: Suffixes, word: str) -> None:
        if word.upper() not in self.couplings:
            raise self.refuse(24, word)
        coupling, impedance = COUPLINGS[word.upper()]
        self.acquisition.set_channel(suffixes[0], coupling=coupling, impedance=impedance)

    def _coupling(self, suffixes: Suffixes) -> str:
        channel = self.acquisition.channel(suffixes[0])
        return f"{channel.coupling[0]}{'50' if channel.impedance == 50 else '1M'}"

    def _set_limit(self, _: Suffixes, *words: str) -> None:
        for name, word in zip(words[::2], words[1::2], strict=False):
            number = Source("C").parse(name)
            if not isinstance(number, int) or word.upper() not in ("ON", "OFF", "20MHZ"):
                raise self.refuse(24, word)
            self.acquisition.set_channel(number, bandwidth=0.0 if word.upper() == "OFF" else 20e6)

    def _limits(self, _: Suffixes) -> str:
        words = ("ON" if c.bandwidth else "OFF" for c in self.acquisition.channels)
        return ",".join(f"C{n},{word}" for n, word in enumerate(words, start=1))

    # -- time base -----------------------------------------------------------------------------
    def _set_division(self, _: Suffixes, seconds: float) -> None:
        self._division = next((s for s in SCALES if s >= seconds * 0.9999), SCALES[-1])
        self._adapted |= abs(self._division - seconds) > 1e-6 * seconds
        self._retime()

    def _set_delay(self, _: Suffixes, seconds: float) -> None:
        self._delay = seconds
        self._retime()

    def centre_time(self) -> float:
        """Return the time at the centre of the screen, from the trigger. [s]"""
        return self._delay

    def _retime(self) -> None:
        span = self._division * self.model.horizontal_divisions
        step = max(span / self._size, 1 / self.model.maximum_rate)
        samples = max(2, round(span / step))
        self.acquisition.set_timing(Timing(samples, step, self.centre_time() - span / 2))

    # -- trigger -------------------------------------------------------------------------------
    def _set_source(self, _: Suffixes, *words: str) -> None:
        if words[0].upper() != "EDGE" or words[1].upper() != "SR":
            raise self.refuse(24, ",".join(words))
        source = Source("C", "EX|EX5|LINE").parse(words[2])
        if isinstance(source, int):
            self.acquisition.channel(source)
        self.acquisition.set_trigger(source=source if isinstance(source, int) else 0)

    def _source(self, _: Suffixes) -> str:
        number = self.acquisition.trigger.source
        return f"EDGE,SR,{f'C{number}' if number else 'EX'},HT,OFF"

    def _set_level(self, suffixes: Suffixes, volts: float) -> None:
        channel = self.acquisition.channel(suffixes[0])
        if suffixes[0] == self.acquisition.trigger.source:
            self.acquisition.set_trigger(level=volts / channel.probe)

    def _level(self, suffixes: Suffixes) -> str:
        channel = self.acquisition.channel(suffixes[0])
        mine = suffixes[0] == self.acquisition.trigger.source
        return self.unit(self.acquisition.trigger.level * channel.probe if mine else 0.0, "V")

    # -- acquisition ---------------------------------------------------------------------------
    def _set_mode(self, suffixes: Suffixes, mode: str) -> None:
        self._mode = mode
        self.acquisition.set_trigger(auto=mode == "AUTO")
        if mode == "STOP":
            self.acquisition.stop()
        elif mode == "SINGLE":
            self._arm(suffixes)
        else:
            self.acquisition.arm(continuous=True)

    def segments(self) -> int:
        """Return how many records one arming takes."""
        return 1

    def _arm(self, _: Suffixes) -> None:
        if self._mode == "STOP":
            self._mode = "SINGLE"
            self.acquisition.set_trigger(auto=False)
        self.acquisition.arm(self.segments())

    def _read_inr(self) -> int:
        """Return and clear the register of internal state changes."""
        state = self.acquisition.state()
        if self.acquisition.arms > self._arms_seen:
            self._inr |= TRIGGER_READY
        if self.acquisition.triggers > self._triggers_seen and state is State.STOPPED:
            self._inr |= NEW_ACQUISITION
            self._triggers_seen = self.acquisition.triggers
        self._arms_seen = self.acquisition.arms
        value, self._inr = self._inr, 0
        return value

    # -- which part of a waveform --------------------------------------------------------------
    def _set_window(self, _: Suffixes, *words: str) -> None:
        names = {"SP": "_sparse", "NP": "_number", "FP": "_first", "SN": "_segment"}
        for name, word in zip(words[::2], words[1::2], strict=False):
            if name.upper() not in names:
                raise self.refuse(24, name)
            setattr(self, names[name.upper()], max(0, Integer().parse(word)))

    def _window(self, _: Suffixes) -> str:
        return f"SP,{self._sparse},NP,{self._number},FP,{self._first},SN,{self._segment}"

    def window(self, samples: int) -> tuple[int, int, int]:
        """Return the first sample, the number of points and the stride of a transfer."""
        stride = max(1, self._sparse)
        first = min(self._first, samples - 1)
        count = -(-(samples - first) // stride)
        return first, min(self._number, count) if self._number else count, stride


def _renamed(header: str, names: dict[str, str]) -> str:
    stem, _, last = header.rpartition(":")
    return f"{stem}:{names[last]}" if stem else names[last]
