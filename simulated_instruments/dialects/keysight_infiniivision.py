"""The twin of the ``:WAVeform:PREamble`` family with unsigned codes and reserved values.

Rules from the makers' programmer's guides (as collected in the project's dialect facts, section
2): after ``*RST`` waveform data are unsigned, high byte first, BYTE, 1000 points; codes 0, 1 and
255 (0xFF..) mean hole, clipped low, clipped high; the reference code is half of the code range;
memory is read only when stopped; the record length follows from the time base; ``:SINGle`` makes
the sweep normal, ``:DIGitize`` blocks the parser. From memory: the list of point counts,
decimation to whole strides, the choice of sample rates.
"""

from __future__ import annotations

from simulated_instruments.acquisition import Acquisition, State
from simulated_instruments.dialects.keysight_waveform import KeysightWaveform
from simulated_instruments.digitiser import Timing
from simulated_instruments.scope import nr3
from simulated_instruments.scpi import Command, Suffixes
from simulated_instruments.status import ScpiError
from simulated_instruments.values import Boolean, Choice, Integer, Number, Source

RUN, WAIT_TRIGGER = 8, 32
LIMIT = 25e6
"""Corner of the bandwidth limit. [Hz]"""


class KeysightInfiniivision(KeysightWaveform):
    """QV-3054."""

    acquisition: Acquisition

    def reset(self) -> None:
        """Do what ``*RST`` does."""
        super().reset()
        self._span, self._position, self._reference = 1e-3, 0.0, "CENT"
        self._segmented, self._segments, self._index = False, 2, 1
        self.reset_data()
        self._triggers_read = self._arms_read = 0
        self._retime()

    # -- table -------------------------------------------------------------------------------------
    def table(self) -> tuple[Command, ...]:
        """Return the commands of this family."""
        return (
            *self._channel_table(),
            *self._time_table(),
            *self._trigger_table(),
            *self._run_table(),
            *self.waveform_table(),
            Command("SYSTem:ERRor[:NEXT]", query=self._error),
            Command("SYSTem:HEADer", (Boolean(),), lambda _s, _on: None, lambda _: "0"),
        )

    def _channel_table(self) -> tuple[Command, ...]:
        volts, on = Number("V"), Boolean()
        return (
            Command(
                "CHANnel<n>:DISPlay",
                (on,),
                lambda s, v: self._show(s[0], v),
                lambda s: str(int(self.acquisition.channel(s[0]).enabled)),
            ),
            Command(
                "CHANnel<n>:RANGe",
                (volts,),
                lambda s, v: self.set_range(s[0], v),
                lambda s: nr3(self.range_volts(s[0])),
            ),
            Command(
                "CHANnel<n>:SCALe",
                (volts,),
                lambda s, v: self.set_range(s[0], v * self.model.vertical_divisions),
                lambda s: nr3(self.range_volts(s[0]) / self.model.vertical_divisions),
            ),
            Command(
                "CHANnel<n>:OFFSet",
                (volts,),
                self._set_offset,
                lambda s: nr3(self.centre_volts(s[0])),
            ),
            Command(
                "CHANnel<n>:COUPling",
                (Choice("AC|DC"),),
                lambda s, v: self.acquisition.set_channel(s[0], coupling=v),
                lambda s: self.acquisition.channel(s[0]).coupling,
            ),
            Command(
                "CHANnel<n>:IMPedance",
                (Choice("ONEMeg|FIFTy"),),
                lambda s, v: self.acquisition.set_channel(
                    s[0], impedance=50.0 if v == "FIFT" else 1e6
                ),
                lambda s: "FIFT" if self.acquisition.channel(s[0]).impedance == 50 else "ONEM",
            ),
            Command(
                "CHANnel<n>:BWLimit",
                (on,),
                lambda s, v: self.acquisition.set_channel(s[0], bandwidth=LIMIT if v else 0.0),
                lambda s: str(int(self.acquisition.channel(s[0]).bandwidth > 0)),
            ),
            Command("CHANnel<n>:PROBe", (Number(),), self._set_probe, self._probe),
            self.remember("CHANnel<n>:UNITs", Choice("VOLT|AMPere"), "VOLT"),
            self.remember("CHANnel<n>:INVert", Boolean(), "0"),
            Command("CHANnel<n>:PROTection", query=lambda _: "NORM"),
        )

    def _time_table(self) -> tuple[Command, ...]:
        seconds = Number("S")
        return (
            self.remember("TIMebase:MODE", Choice("MAIN"), "MAIN"),
            Command("TIMebase:RANGe", (seconds,), self._set_span, lambda _: nr3(self._span)),
            Command(
                "TIMebase:SCALe",
                (seconds,),
                lambda s, v: self._set_span(s, v * 10),
                lambda _: nr3(self._span / 10),
            ),
            Command(
                "TIMebase:POSition", (seconds,), self._set_position, lambda _: nr3(self._position)
            ),
            Command(
                "TIMebase:REFerence",
                (Choice("LEFT|CENTer|RIGHt"),),
                self._set_reference,
                lambda _: self._reference,
            ),
        )

    def _trigger_table(self) -> tuple[Command, ...]:
        trigger = self.acquisition
        return (
            self.remember("TRIGger:MODE", Choice("EDGE"), "EDGE"),
            Command(
                "TRIGger:SWEep",
                (Choice("AUTO|NORMal"),),
                lambda _, v: trigger.set_trigger(auto=v == "AUTO"),
                lambda _: "AUTO" if trigger.trigger.auto else "NORM",
            ),
            Command(
                "TRIGger[:EDGE]:SOURce",
                (Source("CHANnel", "EXTernal|LINE"),),
                self._set_trigger_source,
                self._trigger_source,
            ),
            Command(
                "TRIGger[:EDGE]:LEVel",
                (Number("V"), Source("CHANnel", "EXTernal")),
                self._set_level,
                self._level,
                asks=(Source("CHANnel", "EXTernal"),),
                optional=1,
            ),
            Command(
                "TRIGger[:EDGE]:SLOPe",
                (Choice("POSitive|NEGative"),),
                lambda _, v: trigger.set_trigger(rising=v == "POS"),
                lambda _: "POS" if trigger.trigger.rising else "NEG",
            ),
            self.remember("TRIGger[:EDGE]:COUPling", Choice("AC|DC|LFReject"), "DC"),
            self.remember("TRIGger[:EDGE]:REJect", Choice("OFF|LFReject|HFReject"), "OFF"),
            self.remember("TRIGger:HFReject", Boolean(), "0"),
            self.remember("TRIGger:NREJect", Boolean(), "0"),
            Command("TRIGger:HOLDoff", (Number("S"),), lambda _s, _v: None, lambda _: nr3(40e-9)),
            Command("TRIGger:FORCe", write=lambda _: trigger.force()),
        )

    def _run_table(self) -> tuple[Command, ...]:
        return (
            Command("SINGle", write=self._single),
            Command("DIGitize", (Source("CHANnel"),), self._digitize, optional=1, many=True),
            Command("RUN", write=lambda _: self.acquisition.arm(continuous=True)),
            Command("STOP", write=lambda _: self.acquisition.stop()),
            Command("OPERegister:CONDition", query=lambda _: str(self._condition())),
            Command("TER", query=self._trigger_event),
            Command("AER", query=self._arm_event),
            Command("ACQuire:TYPE", (Choice("NORMal"),), lambda _s, _v: None, lambda _: "NORM"),
            Command("ACQuire:COUNt", (Integer(),), lambda _s, _v: None, lambda _: "8"),
            Command("ACQuire:COMPlete", (Integer(),), lambda _s, _v: None, lambda _: "100"),
            Command(
                "ACQuire:MODE",
                (Choice("RTIMe|SEGMented"),),
                self._set_mode,
                lambda _: "SEGM" if self._segmented else "RTIM",
            ),
            Command("ACQuire:POINts", query=lambda _: str(self.acquisition.told_timing().samples)),
            Command("ACQuire:SRATe", query=lambda _: nr3(1 / self.acquisition.told_timing().step)),
            Command(
                "ACQuire:SEGMented:COUNt",
                (Integer(),),
                self._set_segments,
                lambda _: str(self._segments),
            ),
            Command(
                "ACQuire:SEGMented:INDex", (Integer(),), self._set_index, lambda _: str(self._index)
            ),
        )

    # -- inputs ------------------------------------------------------------------------------------
    def _show(self, number: int, on: bool) -> None:
        self.acquisition.set_channel(number, enabled=on)
        self._retime()

    def _set_offset(self, suffixes: Suffixes, volts: float) -> None:
        channel = self.acquisition.channel(suffixes[0])
        self.set_centre(suffixes[0], volts, limit=max(2.0, 2.5 * channel.range))

    def _set_probe(self, suffixes: Suffixes, factor: float) -> None:
        if not 0.001 <= factor <= 10_000:
            raise ScpiError(-222, nr3(factor))
        self.acquisition.set_channel(suffixes[0], probe=factor)

    def _probe(self, suffixes: Suffixes) -> str:
        return nr3(self.acquisition.channel(suffixes[0]).probe)

    # -- time base ---------------------------------------------------------------------------------
    def _set_span(self, _: Suffixes, seconds: float) -> None:
        self._span = float(f"{min(max(seconds, 20e-9), 500.0):.3g}")
        self._retime()
        if not 20e-9 <= seconds <= 500.0:
            raise ScpiError(-222, nr3(seconds))

    def _set_position(self, _: Suffixes, seconds: float) -> None:
        self._position = seconds
        self._retime()

    def _set_reference(self, _: Suffixes, where: str) -> None:
        self._reference = where
        self._retime()

    def _retime(self) -> None:
        """Let the instrument choose rate and record length, as this family does."""
        enabled = [c.enabled for c in self.acquisition.channels]
        shared = any(enabled[n] and enabled[n + 1] for n in range(0, len(enabled) - 1, 2))
        rate = self.model.maximum_rate / (2 if shared else 1)
        memory = self.model.memory // (2 if shared else 1)
        if self._segmented:
            memory //= self._segments
        divisors = (m * 10**e for e in range(12) for m in (1, 2, 5))
        divisor = next(d for d in divisors if self._span * rate / d <= memory)
        left = {"LEFT": 0.1, "CENT": 0.5, "RIGH": 0.9}[self._reference]
        samples = max(100, round(self._span * rate / divisor))
        timing = Timing(samples, divisor / rate, self._position - left * self._span)
        self.acquisition.set_timing(timing)

    def _timing(self) -> Timing:
        records = self.acquisition.records
        return (
            records[0].timing if records and self.acquisition.stopped() else self.acquisition.timing
        )

    # -- trigger -----------------------------------------------------------------------------------
    def _set_trigger_source(self, _: Suffixes, source: int | str) -> None:
        number = source if isinstance(source, int) else 0
        if isinstance(source, int):
            self.acquisition.channel(source)
        self.acquisition.set_trigger(source=number)

    def _trigger_source(self, _: Suffixes) -> str:
        number = self.acquisition.trigger.source
        return f"CHAN{number}" if number else "EXT"

    def _set_level(self, _: Suffixes, volts: float, source: int | str | None = None) -> None:
        number = self.acquisition.trigger.source
        if source is not None and source != (number or "EXT"):
            return  # the level of another source: remembered by the real one, without effect here
        channel = self.acquisition.channel(number) if number else None
        limit = 0.75 * channel.range * channel.probe if channel else 8.0
        centre = channel.offset * channel.probe if channel else 0.0
        held = min(max(volts, centre - limit), centre + limit)
        self.acquisition.set_trigger(level=held / (channel.probe if channel else 1.0))
        if held != volts:
            raise ScpiError(-222, nr3(volts))

    def _level(self, _: Suffixes, source: int | str | None = None) -> str:
        number = self.acquisition.trigger.source
        if source is not None and source != (number or "EXT"):
            return nr3(0.0)
        probe = self.acquisition.channel(number).probe if number else 1.0
        return nr3(self.acquisition.trigger.level * probe)

    # -- acquisition -------------------------------------------------------------------------------
    def _single(self, _: Suffixes) -> None:
        self.acquisition.set_trigger(auto=False)
        self._arm()

    def _arm(self) -> None:
        self._index = 1
        self.acquisition.arm(self._segments if self._segmented else 1)

    def _digitize(self, _: Suffixes, *sources: int) -> None:
        for number in range(1, self.model.channels + 1):
            if sources:
                self._show(number, number in sources)
        self._arm()
        self.wait(self.acquisition.stopped)

    def _condition(self) -> int:
        state = self.acquisition.state()
        if state is State.STOPPED:
            return 0
        return RUN | (WAIT_TRIGGER if state is State.WAITING else 0)

    def _trigger_event(self, _: Suffixes) -> str:
        self.acquisition.state()
        before, self._triggers_read = self._triggers_read, self.acquisition.triggers
        return f"+{int(self._triggers_read > before)}"

    def _arm_event(self, _: Suffixes) -> str:
        self.acquisition.state()
        before, self._arms_read = self._arms_read, self.acquisition.arms
        return f"+{int(self._arms_read > before)}"

    def _set_mode(self, _: Suffixes, mode: str) -> None:
        self._segmented = mode == "SEGM"
        self._retime()

    def _set_segments(self, _: Suffixes, count: int) -> None:
        self._segments = min(max(count, 2), self.model.maximum_segments)
        self._retime()
        if self._segments != count:
            raise ScpiError(-222, str(count))

    def _set_index(self, _: Suffixes, index: int) -> None:
        if not 1 <= index <= max(1, len(self.acquisition.records)):
            raise ScpiError(-222, str(index))
        self._index = index

    # -- errors ------------------------------------------------------------------------------------
    def _error(self, _: Suffixes) -> str:
        code, text = self.status.pop()
        return f'{code:+d},"{text}"'
