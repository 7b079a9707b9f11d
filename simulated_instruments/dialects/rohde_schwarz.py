"""The twin of the family that answers ``FORMat UINT`` codes and a four-field data header.

Rules from the maker's user manuals (as collected in the project's dialect facts, section 8a):
after reset data are ASCII and high byte first; V = yOrigin + yIncrement * code with the screen
centre at 127.5; the 8-to-16-bit step is a left shift, so yOrigin is the same for both and
yIncrement is not; whole memory (MAXimum, DMAXimum) is read only when stopped, else screen points
come without a word; the header is Xstart, Xstop, samples, values per sample; history 0 is the
newest record and negative ones are older; times are relative to the newest, listed oldest first.
From memory: DC means 50 ohm and DCLimit 1 Mohm, the run states, the record-length list, ``STOP``
leaves a broken record.
"""

from __future__ import annotations

import numpy as np

from simulated_instruments.digitiser import Channel, Codes, Record, Timing
from simulated_instruments.scope import SimulatedScope, as_bytes, encoded, nr3
from simulated_instruments.scpi import Block, Buffer, Command, Reply, Suffixes
from simulated_instruments.status import ScpiError
from simulated_instruments.values import Boolean, Choice, Integer, Number, Source

SCREEN_POINTS = 1200
SHIFT = 4
"""The converter has 10 bits: four of its steps are one 8-bit code."""
COUPLINGS = {
    "DC": ("DC", 50.0),
    "DCL": ("DC", 1e6),
    "AC": ("AC", 50.0),
    "ACL": ("AC", 1e6),
}


class RohdeSchwarz(SimulatedScope):
    """QH-2004."""

    def reset(self) -> None:
        """Do what ``*RST`` does."""
        super().reset()
        self._scale, self._position, self._reference = 100e-6, 0.0, 50.0
        self._automatic, self._points = True, 10_000
        self._format, self._order = ("ASC", 0), "MSBF"
        self._selection = dict.fromkeys(range(1, self.model.channels + 1), "DEF")
        self._history, self._wanted, self._interrupted = 0, 1, False
        self._segmented = False
        self._retime()

    # -- table ---------------------------------------------------------------------------------
    def table(self) -> tuple[Command, ...]:
        """Return the commands of this family."""
        return (
            *self._channel_table(),
            *self._acquire_table(),
            *self._trigger_table(),
            *self._data_table(),
            *self._history_table(),
            Command("SYSTem:ERRor[:NEXT]", query=self.error_reply),
            Command("SYSTem:ERRor:ALL", query=self._all_errors),
        )

    def _channel_table(self) -> tuple[Command, ...]:
        volts = Number("V")
        return (
            self.show("CHANnel<m>:STATe"),
            Command(
                "CHANnel<m>:RANGe",
                (volts,),
                lambda s, v: self.set_range(s[0], v),
                lambda s: nr3(self.range_volts(s[0])),
            ),
            Command(
                "CHANnel<m>:SCALe",
                (volts,),
                lambda s, v: self.set_range(s[0], v * self.model.vertical_divisions),
                lambda s: nr3(self.range_volts(s[0]) / self.model.vertical_divisions),
            ),
            Command(
                "CHANnel<m>:OFFSet",
                (volts,),
                lambda s, v: self.set_centre(s[0], v, self._offset_limit(s[0])),
                lambda s: nr3(self.centre_volts(s[0])),
            ),
            self.remember("CHANnel<m>:POSition", Number("DIV"), nr3(0.0)),
            Command(
                "CHANnel<m>:COUPling",
                (Choice("DC|DCLimit|AC|ACLimit"),),
                self._set_coupling,
                self._coupling,
            ),
            Command(
                "CHANnel<m>:BANDwidth",
                (Choice("FULL|B20"),),
                lambda s, v: self.acquisition.set_channel(
                    s[0], bandwidth=20e6 if v == "B20" else 0.0
                ),
                lambda s: "B20" if self.acquisition.channel(s[0]).bandwidth else "FULL",
            ),
            Command(
                "CHANnel<m>:OVERload",
                (Boolean(),),
                lambda _s, _v: None,
                lambda _: "0",
            ),
            Command(
                "PROBe<m>:SETup:ATTenuation[:MANual]",
                (Number(),),
                lambda s, v: self.acquisition.set_channel(s[0], probe=v),
                lambda s: nr3(self.acquisition.channel(s[0]).probe),
            ),
            self.remember("PROBe<m>:SETup:ATTenuation:UNIT", Choice("V|A"), "V"),
        )

    def _acquire_table(self) -> tuple[Command, ...]:
        seconds = Number("S")
        divisions = self.model.horizontal_divisions
        return (
            Command(
                "TIMebase:SCALe",
                (seconds,),
                self._set_time,
                lambda _: nr3(self._scale),
            ),
            Command(
                "TIMebase:RANGe",
                (seconds,),
                lambda s, v: self._set_time(s, v / divisions),
                lambda _: nr3(self._scale * divisions),
            ),
            Command("TIMebase:ACQTime", query=lambda _: nr3(self._scale * divisions)),
            Command(
                "TIMebase:POSition", (seconds,), self._set_position, lambda _: nr3(self._position)
            ),
            Command(
                "TIMebase:REFerence",
                (Number("PCT"),),
                self._set_reference,
                lambda _: nr3(self._reference),
            ),
            Command(
                "ACQuire:POINts:AUTomatic",
                (Boolean(),),
                self._set_automatic,
                lambda _: str(int(self._automatic)),
            ),
            Command(
                "ACQuire:POINts[:VALue]",
                (Integer(),),
                self._set_points,
                lambda _: str(self.acquisition.timing.samples),
            ),
            Command("ACQuire:SRATe", query=lambda _: nr3(1 / self.acquisition.timing.step)),
            self.remember("ACQuire:TYPE", Choice("REFResh"), "REFR"),
            self.remember("CHANnel<m>:TYPE", Choice("SAMPle|PDETect|HRESolution"), "SAMP"),
            Command(
                "ACQuire:NSINgle:COUNt",
                (Integer(),),
                self._set_wanted,
                lambda _: str(self._wanted),
            ),
            self.switch("ACQuire:SEGMented:STATe", "_segmented"),
            Command("ACQuire:AVAilable", query=lambda _: str(len(self.acquisition.records))),
            Command("ACQuire:STATe", (Choice("RUN|STOP"),), self._set_state, self._state),
            Command("SINGle", write=self._single),
            Command("RUNSingle", write=self._single),
            Command("RUN", write=lambda _: self.acquisition.arm(continuous=True)),
            Command("RUNContinous", write=lambda _: self.acquisition.arm(continuous=True)),
            Command("STOP", write=self._stop),
        )

    def _trigger_table(self) -> tuple[Command, ...]:
        trigger = self.acquisition
        return (
            self.remember("TRIGger:A:TYPE", Choice("EDGE"), "EDGE"),
            self.remember("TRIGger:A:EDGE:COUPling", Choice("DC|AC|LFReject"), "DC"),
            self.remember("TRIGger:A:EDGE:FILTer:HFReject", Boolean(), "0"),
            self.remember("TRIGger:A:EDGE:FILTer:NREJect", Boolean(), "0"),
            self.remember("TRIGger:A:HOLDoff:MODE", Choice("TIME|OFF"), "OFF"),
            self.remember("TRIGger:A:HOLDoff:TIME", Number("S"), nr3(50e-9)),
            Command(
                "TRIGger:A:MODE",
                (Choice("AUTO|NORMal"),),
                lambda _, v: trigger.set_trigger(auto=v == "AUTO"),
                lambda _: "AUTO" if trigger.trigger.auto else "NORM",
            ),
            Command(
                "TRIGger:A:SOURce",
                (Source("CH", "EXTernanalog|LINE"),),
                self._set_trigger_source,
                lambda _: f"CH{trigger.trigger.source}" if trigger.trigger.source else "EXT",
            ),
            Command(
                "TRIGger:A:EDGE:SLOPe",
                (Choice("POSitive|NEGative"),),
                lambda _, v: trigger.set_trigger(rising=v == "POS"),
                lambda _: "POS" if trigger.trigger.rising else "NEG",
            ),
            Command("TRIGger:A:LEVel<n>[:VALue]", (Number("V"),), self._set_level, self._level),
        )

    def _data_table(self) -> tuple[Command, ...]:
        return (
            Command(
                "FORMat[:DATA]",
                (Choice("ASCii|REAL|UINT"), Integer()),
                self._set_format,
                lambda _: f"{self._format[0]},{self._format[1]}",
                optional=1,
            ),
            self.choose("FORMat:BORDer", "MSBFirst|LSBFirst", "_order"),
            Command(
                "CHANnel<m>:DATA:POINts",
                (Choice("DEFault|MAXimum|DMAXimum"),),
                lambda s, v: self._selection.__setitem__(self._known(s), v),
                lambda s: str(self._readable(s)[1]),
            ),
            Command("CHANnel<m>:DATA:HEADer", query=self._header),
            Command(
                "CHANnel<m>:DATA:XORigin", query=lambda s: nr3(self._readable(s)[0].timing.start)
            ),
            Command("CHANnel<m>:DATA:XINCrement", query=self._x_increment),
            Command("CHANnel<m>:DATA:YORigin", query=lambda s: f"{self._y_scale(s)[0]:.8E}"),
            Command("CHANnel<m>:DATA:YINCrement", query=lambda s: f"{self._y_scale(s)[1]:.8E}"),
            Command("CHANnel<m>:DATA:YRESolution", query=lambda _: str(self.model.bits)),
            Command("CHANnel<m>:DATA", query=self._data),
        )

    def _history_table(self) -> tuple[Command, ...]:
        return (
            Command(
                "CHANnel<m>:HISTory:CURRent",
                (Integer(),),
                self._set_history,
                lambda _: str(self._history),
            ),
            Command(
                "CHANnel<m>:HISTory:TSRelative", query=lambda _: nr3(self._times()[self._at()])
            ),
            Command(
                "CHANnel<m>:HISTory:TSRelative:ALL",
                query=lambda _: ",".join(f"{t:.9E}" for t in self._times()),
            ),
        )

    # -- inputs, time base, trigger ------------------------------------------------------------
    def _known(self, suffixes: Suffixes) -> int:
        self.acquisition.channel(suffixes[0])
        return suffixes[0]

    def _offset_limit(self, number: int) -> float:
        return 1.2 if self.acquisition.channel(number).range < 1 else 40.0

    def _set_coupling(self, suffixes: Suffixes, word: str) -> None:
        coupling, impedance = COUPLINGS[word]
        self.acquisition.set_channel(suffixes[0], coupling=coupling, impedance=impedance)

    def _coupling(self, suffixes: Suffixes) -> str:
        channel = self.acquisition.channel(suffixes[0])
        return channel.coupling if channel.impedance == 50 else f"{channel.coupling}L"

    def _set_time(self, _: Suffixes, seconds: float) -> None:
        self._scale = float(f"{min(max(seconds, 1e-9), 50.0):.3g}")
        self._retime()

    def _set_position(self, _: Suffixes, seconds: float) -> None:
        self._position = seconds
        self._retime()

    def _set_reference(self, _: Suffixes, percent: float) -> None:
        if not 0 <= percent <= 100:
            raise ScpiError(-222, nr3(percent))
        self._reference = percent
        self._retime()

    def _set_automatic(self, _: Suffixes, on: bool) -> None:
        self._automatic = on
        self._retime()

    def _set_points(self, _: Suffixes, samples: int) -> None:
        lengths = self.model.record_lengths
        self._points = min(lengths, key=lambda n: abs(n - samples))
        self._automatic = False
        self._retime()
        if not lengths[0] <= samples <= lengths[-1]:
            raise ScpiError(-222, str(samples))

    def _set_wanted(self, _: Suffixes, count: int) -> None:
        self._wanted = min(max(count, 1), self.model.maximum_segments)
        if self._wanted != count:
            raise ScpiError(-222, str(count))

    def _retime(self) -> None:
        span = self._scale * self.model.horizontal_divisions
        points = 10_000 if self._automatic else self._points
        step = max(span / points, 1 / self.model.maximum_rate)
        samples = max(1, round(span / step))
        start = self._position - self._reference / 100 * span
        self.acquisition.set_timing(Timing(samples, step, start))

    def _set_trigger_source(self, _: Suffixes, source: int | str) -> None:
        if isinstance(source, int):
            self.acquisition.channel(source)
        self.acquisition.set_trigger(source=source if isinstance(source, int) else 0)

    def _set_level(self, suffixes: Suffixes, volts: float) -> None:
        number = self.acquisition.trigger.source
        if suffixes[0] == (number or 5):
            probe = self.acquisition.channel(number).probe if number else 1.0
            self.acquisition.set_trigger(level=volts / probe)

    def _level(self, suffixes: Suffixes) -> str:
        number = self.acquisition.trigger.source
        if suffixes[0] != (number or 5):
            return nr3(0.0)
        probe = self.acquisition.channel(number).probe if number else 1.0
        return nr3(self.acquisition.trigger.level * probe)

    # -- acquisition ---------------------------------------------------------------------------
    def _single(self, _: Suffixes) -> None:
        self._history, self._interrupted = 0, False
        self.acquisition.arm(self._wanted)

    def _set_state(self, suffixes: Suffixes, word: str) -> None:
        if word == "STOP":
            self._stop(suffixes)
        else:
            self.acquisition.arm(continuous=True)

    def _stop(self, _: Suffixes) -> None:
        self._interrupted = not self.acquisition.stopped()
        self.acquisition.stop()

    def _state(self, _: Suffixes) -> str:
        if not self.acquisition.stopped():
            return "RUN"
        return "BRE" if self._interrupted else "COMP"

    # -- data ----------------------------------------------------------------------------------
    def _set_format(self, _: Suffixes, kind: str, bits: int = 0) -> None:
        allowed = {"ASC": (0,), "REAL": (32,), "UINT": (8, 16, 32)}[kind]
        if bits not in allowed:
            raise ScpiError(-224, f"{kind},{bits}")
        self._format = (kind, bits)

    def _at(self) -> int:
        """Return the index of the selected record, 0 = oldest."""
        return len(self.acquisition.records) - 1 + self._history

    def _set_history(self, _: Suffixes, number: int) -> None:
        if not -len(self.acquisition.records) < number <= 0:
            raise ScpiError(-222, str(number))
        self._history = number

    def _times(self) -> list[float]:
        records = self.acquisition.records
        return [r.time - records[-1].time for r in records]

    def _readable(self, suffixes: Suffixes) -> tuple[Record, int, int]:
        """Return the record, its points as selected, and the stride."""
        number = self._known(suffixes)
        if not self.acquisition.channel(number).enabled:
            raise ScpiError(-221, "the channel is off")
        record = self.acquisition.record(self._at())
        samples = record.timing.samples
        if self._selection[number] != "DEF" and self.acquisition.stopped():
            return record, samples, 1
        stride = max(1, samples // SCREEN_POINTS)
        return record, samples // stride, stride

    def _header(self, suffixes: Suffixes) -> str:
        record, points, stride = self._readable(suffixes)
        start, step = record.timing.start, record.timing.step * stride
        return f"{start:.8E},{start + (points - 1) * step:.8E},{points},1"

    def _x_increment(self, suffixes: Suffixes) -> str:
        record, _, stride = self._readable(suffixes)
        return f"{record.timing.step * stride:.8E}"

    def _y_scale(self, suffixes: Suffixes) -> tuple[float, float]:
        """Return yOrigin and yIncrement of the format in force. [V]"""
        channel = self._readable(suffixes)[0].channels[suffixes[0] - 1]
        byte = self.acquisition.step_volts(channel) * SHIFT * channel.probe
        origin = channel.offset * channel.probe - 127.5 * byte
        bits = self._format[1] if self._format[0] == "UINT" else 8
        return origin, byte / 2.0 ** (bits - 8)

    def _data(self, suffixes: Suffixes) -> Reply:
        record, points, stride = self._readable(suffixes)
        channel = record.channels[suffixes[0] - 1]
        pieces = self.acquisition.pieces(suffixes[0], self._at(), 0, points, stride)
        step = self.acquisition.step_volts(channel)
        if self._format[0] == "ASC":
            volts = ((codes * step + channel.offset) * channel.probe for codes in pieces)
            return ",".join(f"{float(v):.5E}" for piece in volts for v in piece)
        width = self._format[1] // 8
        return Block(points * width, encoded(pieces, lambda c: self._encode(c, channel)))

    def _encode(self, codes: Codes, channel: Channel) -> Buffer:
        order = ">" if self._order == "MSBF" else "<"
        kind, bits = self._format
        if kind == "REAL":
            volts = codes * self.acquisition.step_volts(channel) + channel.offset
            return as_bytes((volts * channel.probe).astype(f"{order}f4"))
        # the screen's centre is 127.5 of the 8-bit codes, that is 510 of the converter's
        unsigned = np.clip(codes.astype(np.int64) + 510, 0, 1023)
        shifted = unsigned >> 2 if bits == 8 else unsigned << (bits - 10)
        return as_bytes(shifted.astype(f"{order}u{bits // 8}"))

    def _all_errors(self, _: Suffixes) -> str:
        found = [self.status.pop()]
        while len(self.status):
            found.append(self.status.pop())
        return ",".join(f'{code},"{text}"' for code, text in found)
