"""The twin of the ``:WAVeform:PREamble`` family whose yorigin is in codes, whose offset moves up.

Rules from the maker's programming guides (as collected in the project's dialect facts, section
5): V = (code - yreference - yorigin) * yincrement with yorigin in codes; a positive offset moves
the trace up; type in the preamble is the read mode; NORMal gives 1200 screen points, RAW memory
and only when stopped (error 67); one read holds at most 250000 points in BYTE, 125000 in WORD,
15625 in ASCii; STARt and STOP are 1-based and inclusive; blocks are ``#9`` and nine digits. From
memory: the status still says STOP right after ``:SINGle``; memory depth is shared by the inputs;
a read beyond the limit gives an empty block; WORD keeps the code in its low byte, low byte
first.
"""

from __future__ import annotations

import numpy as np

from simulated_instruments.acquisition import State
from simulated_instruments.digitiser import Codes, Record, Timing
from simulated_instruments.scope import SimulatedScope, as_bytes, encoded, nr3
from simulated_instruments.scpi import Block, Buffer, Command, Suffixes
from simulated_instruments.status import ScpiError
from simulated_instruments.values import Boolean, Choice, Integer, Number, Source

SCREEN_POINTS = 1200
LIMITS = {"BYTE": 250_000, "WORD": 125_000, "ASC": 15_625}
"""Points of one read, by format."""
REFERENCE = 127
KINDS = {"NORM": 0, "MAX": 1, "RAW": 2}
FORMATS = {"BYTE": 0, "WORD": 1, "ASC": 2}


class Rigol(SimulatedScope):
    """QR-1104."""

    def device_errors(self) -> dict[int, str]:
        """Return the device-specific errors."""
        return {67: "Invalid in the running state"}

    def reset(self) -> None:
        """Do what ``*RST`` does."""
        super().reset()
        self._scale, self._delay, self._depth = 1e-6, 0.0, 0
        self._sweep = "AUTO"
        self._source, self._mode, self._format = 1, "NORM", "BYTE"
        self._start, self._stop = 1, SCREEN_POINTS
        self._recording, self._frames, self._frame = False, 100, 1
        self._retime()

    # -- table ---------------------------------------------------------------------------------
    def table(self) -> tuple[Command, ...]:
        """Return the commands of this family."""
        return (
            *self._channel_table(),
            *self._acquire_table(),
            *self._trigger_table(),
            *self._waveform_table(),
            *self._frame_table(),
            Command("SYSTem:ERRor[:NEXT]", query=self.error_reply),
        )

    def _channel_table(self) -> tuple[Command, ...]:
        volts = Number("V")
        return (
            Command(
                "CHANnel<n>:DISPlay",
                (Boolean(),),
                self._show,
                lambda s: str(int(self.acquisition.channel(s[0]).enabled)),
            ),
            Command(
                "CHANnel<n>:SCALe",
                (volts,),
                lambda s, v: self.set_range(s[0], v * self.model.vertical_divisions),
                lambda s: nr3(self.range_volts(s[0]) / self.model.vertical_divisions),
            ),
            Command(
                "CHANnel<n>:RANGe",
                (volts,),
                lambda s, v: self.set_range(s[0], v),
                lambda s: nr3(self.range_volts(s[0])),
            ),
            Command(
                "CHANnel<n>:OFFSet",
                (volts,),
                self._set_offset,
                lambda s: nr3(-self.centre_volts(s[0]) + 0.0),
            ),
            Command(
                "CHANnel<n>:COUPling",
                (Choice("AC|DC"),),
                lambda s, v: self.acquisition.set_channel(s[0], coupling=v),
                lambda s: self.acquisition.channel(s[0]).coupling,
            ),
            Command(
                "CHANnel<n>:IMPedance",
                (Choice("OMEG|FIFTy"),),
                lambda s, v: self.acquisition.set_channel(
                    s[0], impedance=50.0 if v == "FIFT" else 1e6
                ),
                lambda s: "FIFT" if self.acquisition.channel(s[0]).impedance == 50 else "OMEG",
            ),
            Command(
                "CHANnel<n>:BWLimit",
                (Choice("20M|OFF"),),
                lambda s, v: self.acquisition.set_channel(
                    s[0], bandwidth=20e6 if v == "20M" else 0.0
                ),
                lambda s: "20M" if self.acquisition.channel(s[0]).bandwidth else "OFF",
            ),
            Command(
                "CHANnel<n>:PROBe",
                (Number(),),
                lambda s, v: self.acquisition.set_channel(s[0], probe=v),
                lambda s: nr3(self.acquisition.channel(s[0]).probe),
            ),
            self.remember("CHANnel<n>:UNITs", Choice("VOLTage|WATT|AMPere|UNKNown"), "VOLT"),
            self.remember("CHANnel<n>:INVert", Boolean(), "0"),
            self.remember("CHANnel<n>:VERNier", Boolean(), "0"),
        )

    def _acquire_table(self) -> tuple[Command, ...]:
        seconds = Number("S")
        return (
            Command(
                "TIMebase[:MAIN]:SCALe", (seconds,), self._set_time, lambda _: nr3(self._scale)
            ),
            Command(
                "TIMebase[:MAIN]:OFFSet", (seconds,), self._set_delay, lambda _: nr3(self._delay)
            ),
            self.remember("TIMebase:MODE", Choice("MAIN"), "MAIN"),
            Command(
                "ACQuire:MDEPth",
                (Integer((("AUTO", 0.0),)),),
                self._set_depth,
                lambda _: str(self._depth) if self._depth else "AUTO",
            ),
            Command("ACQuire:SRATe", query=lambda _: nr3(1 / self.acquisition.told_timing().step)),
            self.remember("ACQuire:TYPE", Choice("NORMal"), "NORM"),
            self.remember("ACQuire:AVERages", Integer(), "2"),
            Command("SINGle", write=self._single),
            Command("RUN", write=lambda _: self.acquisition.arm(continuous=True)),
            Command("STOP", write=lambda _: self.acquisition.stop()),
            Command("TFORce", write=lambda _: self.acquisition.force()),
        )

    def _trigger_table(self) -> tuple[Command, ...]:
        trigger = self.acquisition
        return (
            self.remember("TRIGger:MODE", Choice("EDGE"), "EDGE"),
            self.remember("TRIGger:COUPling", Choice("AC|DC|LFReject|HFReject"), "DC"),
            self.remember("TRIGger:HOLDoff", Number("S"), nr3(16e-9)),
            self.remember("TRIGger:NREJect", Boolean(), "0"),
            Command(
                "TRIGger:SWEep",
                (Choice("AUTO|NORMal|SINGle"),),
                self._set_sweep,
                lambda _: self._sweep,
            ),
            Command("TRIGger:STATus", query=lambda _: self._status()),
            Command(
                "TRIGger:EDGe:SOURce",
                (Source("CHANnel", "EXT|AC"),),
                self._set_trigger_source,
                lambda _: f"CHAN{trigger.trigger.source}" if trigger.trigger.source else "EXT",
            ),
            Command(
                "TRIGger:EDGe:SLOPe",
                (Choice("POSitive|NEGative"),),
                lambda _, v: trigger.set_trigger(rising=v == "POS"),
                lambda _: "POS" if trigger.trigger.rising else "NEG",
            ),
            Command("TRIGger:EDGe:LEVel", (Number("V"),), self._set_level, self._level),
        )

    def _waveform_table(self) -> tuple[Command, ...]:
        fields = ["XINCrement", "XORigin", "XREFerence", "YINCrement", "YORigin", "YREFerence"]
        return (
            Command(
                "WAVeform:SOURce",
                (Source("CHANnel"),),
                self._set_source,
                lambda _: f"CHAN{self._source}",
            ),
            Command(
                "WAVeform:MODE",
                (Choice("NORMal|MAXimum|RAW"),),
                self._set_mode,
                lambda _: self._mode,
            ),
            self.choose("WAVeform:FORMat", "BYTE|WORD|ASCii", "_format"),
            Command(
                "WAVeform:STARt",
                (Integer(),),
                lambda _, v: setattr(self, "_start", self._place(v)),
                lambda _: str(self._start),
            ),
            Command(
                "WAVeform:STOP",
                (Integer(),),
                lambda _, v: setattr(self, "_stop", self._place(v)),
                lambda _: str(self._stop),
            ),
            Command("WAVeform:PREamble", query=lambda _: ",".join(self._preamble())),
            Command("WAVeform:DATA", query=self._data),
            *(
                Command(f"WAVeform:{name}", query=lambda _, at=at: self._preamble()[at])
                for at, name in enumerate(fields, start=4)
            ),
        )

    def _frame_table(self) -> tuple[Command, ...]:
        return (
            self.switch("FUNCtion:WRECord:ENABle", "_recording"),
            Command(
                "FUNCtion:WRECord:FEND",
                (Integer(),),
                self._set_frames,
                lambda _: str(self._frames),
            ),
            Command("FUNCtion:WRECord:FMAX", query=lambda _: str(self.model.maximum_segments)),
            Command(
                "FUNCtion:WRECord:OPERate",
                (Choice("RUN|STOP"),),
                self._operate,
                lambda _: "STOP" if self.acquisition.stopped() else "RUN",
            ),
            Command(
                "FUNCtion:WREPlay:FCURrent",
                (Integer(),),
                self._set_frame,
                lambda _: str(self._frame),
            ),
            Command("FUNCtion:WREPlay:FMAX", query=lambda _: str(len(self.acquisition.records))),
        )

    # -- inputs and time base ------------------------------------------------------------------
    def _show(self, suffixes: Suffixes, on: bool) -> None:
        self.acquisition.set_channel(suffixes[0], enabled=on)
        self._retime()

    def _set_offset(self, suffixes: Suffixes, volts: float) -> None:
        channel = self.acquisition.channel(suffixes[0])
        step = self.acquisition.step_volts(channel) * channel.probe
        held = round(volts / step) * step  # yorigin is a whole number of codes
        limit = 100.0 if channel.range >= 4 else 2.0
        self.set_centre(suffixes[0], -held, limit)

    def _set_time(self, _: Suffixes, seconds: float) -> None:
        scales = [m * 10.0**e for e in range(-9, 2) for m in (1, 2, 5)]
        self._scale = next((s for s in scales if s >= seconds * 0.9999), scales[-1])
        self._retime()

    def _set_delay(self, _: Suffixes, seconds: float) -> None:
        self._delay = seconds
        self._retime()

    def _set_depth(self, _: Suffixes, samples: int) -> None:
        self._depth = samples
        self._retime()
        if samples and samples not in self._depths():
            self._depth = min(self._depths(), key=lambda d: abs(d - samples))
            self._retime()
            raise ScpiError(-222, str(samples))

    def _depths(self) -> tuple[int, ...]:
        """Return the memory depths that can be had with the inputs that are on."""
        on = sum(c.enabled for c in self.acquisition.channels)
        share = 1 if on <= 1 else 2 if on == 2 else 4
        return tuple(d // share for d in self.model.record_lengths)

    def _retime(self) -> None:
        depths = self._depths()
        share = self.model.record_lengths[0] // depths[0]
        span, rate = self.model.horizontal_divisions * self._scale, self.model.maximum_rate / share
        if self._depth:
            self._depth = min(depths, key=lambda d: abs(d - self._depth))
        wanted = self._depth or max([d for d in depths[:3] if d <= span * rate], default=depths[0])
        step = max(span / wanted, 1 / rate)
        samples = max(1, round(span / step))
        self.acquisition.set_timing(Timing(samples, step, self._delay - span / 2))

    # -- trigger -------------------------------------------------------------------------------
    def _set_sweep(self, suffixes: Suffixes, sweep: str) -> None:
        if sweep == "SING":
            self._single(suffixes)
            return
        self._sweep = sweep
        self.acquisition.set_trigger(auto=sweep == "AUTO")

    def _single(self, _: Suffixes) -> None:
        self._sweep = "SING"
        self.acquisition.set_trigger(auto=False)
        self.acquisition.arm()

    def _operate(self, _: Suffixes, word: str) -> None:
        if word == "STOP":
            self.acquisition.stop()
            return
        if not self._recording:
            raise ScpiError(-221, "recording is not enabled")
        self._frame = 1
        self.acquisition.arm(self._frames)

    def _set_frames(self, _: Suffixes, count: int) -> None:
        self._frames = min(max(count, 1), self.model.maximum_segments)
        if self._frames != count:
            raise ScpiError(-222, str(count))

    def _set_frame(self, _: Suffixes, number: int) -> None:
        if not 1 <= number <= len(self.acquisition.records):
            raise ScpiError(-222, str(number))
        self._frame = number

    def _status(self) -> str:
        if self.acquisition.stale:
            return "STOP"
        state = self.acquisition.state()
        if state is State.WAITING and self.acquisition.trigger.auto:
            return "AUTO"
        names = {State.ARMING: "RUN", State.WAITING: "WAIT", State.TRIGGERED: "TD"}
        return names.get(state, "STOP")

    def _set_trigger_source(self, _: Suffixes, source: int | str) -> None:
        if isinstance(source, int):
            self.acquisition.channel(source)
        self.acquisition.set_trigger(source=source if isinstance(source, int) else 0)

    def _set_level(self, _: Suffixes, volts: float) -> None:
        number = self.acquisition.trigger.source
        channel = self.acquisition.channel(number) if number else None
        probe = channel.probe if channel else 1.0
        limit = 0.625 * self.range_volts(number) if number else 8.0  # five divisions
        centre = self.centre_volts(number) if number else 0.0
        if abs(volts - centre) > limit:
            raise ScpiError(-222, nr3(volts))
        self.acquisition.set_trigger(level=volts / probe)

    def _level(self, _: Suffixes) -> str:
        number = self.acquisition.trigger.source
        probe = self.acquisition.channel(number).probe if number else 1.0
        return nr3(self.acquisition.trigger.level * probe)

    # -- waveform ------------------------------------------------------------------------------
    def _set_source(self, _: Suffixes, number: int) -> None:
        self.acquisition.channel(number)
        self._source = number

    def _set_mode(self, _: Suffixes, mode: str) -> None:
        self._mode = mode
        if mode == "NORM":
            self._start, self._stop = min(self._start, 1200), min(self._stop, SCREEN_POINTS)

    def _place(self, number: int) -> int:
        whole = SCREEN_POINTS if self._mode == "NORM" else self.acquisition.told_timing().samples
        if not 1 <= number <= whole:
            raise ScpiError(-222, str(number))
        return number

    def _readable(self) -> tuple[Record, int, int]:
        """Return the record, its points in this mode, and the stride."""
        if not self.acquisition.channel(self._source).enabled:
            raise ScpiError(-221, "the waveform source is off")
        stopped = self.acquisition.stopped()
        if self._mode == "RAW" and not stopped:
            raise ScpiError(67)
        record = self.acquisition.record(self._frame - 1 if self._recording else 0)
        samples = record.timing.samples
        if self._mode == "RAW" or (self._mode == "MAX" and stopped):
            return record, samples, 1
        stride = max(1, samples // SCREEN_POINTS)
        return record, min(SCREEN_POINTS, samples // stride), stride

    def _preamble(self) -> list[str]:
        record, points, stride = self._readable()
        channel = record.channels[self._source - 1]
        step = self.acquisition.step_volts(channel) * channel.probe
        origin = round(-channel.offset * channel.probe / step)
        return [
            str(FORMATS[self._format]),
            str(KINDS[self._mode]),
            str(points),
            "1",
            f"{record.timing.step * stride:.6e}",
            f"{record.timing.start:.6e}",
            "0",
            f"{step:.6e}",
            str(origin),
            str(REFERENCE),
        ]

    def _data(self, _: Suffixes) -> Block:
        record, points, stride = self._readable()
        first, last = self._start - 1, min(self._stop, points)
        count = max(0, last - first)
        if count > LIMITS[self._format]:
            self.status.push(-222, f"{count} points in one read")
            count = 0
        segment = self._frame - 1 if self._recording else 0
        pieces = self.acquisition.pieces(self._source, segment, first * stride, count, stride)
        if self._format == "ASC":
            channel = record.channels[self._source - 1]
            step = self.acquisition.step_volts(channel)
            volts = ((codes * step + channel.offset) * channel.probe for codes in pieces)
            text = ",".join(f"{float(v):.6e}" for piece in volts for v in piece)
            return Block.of(text.encode(), digits=9)
        width = 2 if self._format == "WORD" else 1
        return Block(count * width, encoded(pieces, self._encode), digits=9)

    def _encode(self, codes: Codes) -> Buffer:
        return as_bytes((codes + REFERENCE).astype("<u2" if self._format == "WORD" else np.uint8))
