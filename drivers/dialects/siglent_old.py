"""Siglent's older dialect (``C1:WF? DAT2``): SDS1000X-E, SDS2000X, Teledyne T3DSO1000 and 2000.

In kind: no preamble. Scale and time come from the settings, which must therefore not change
between arming and reading; codes are signed bytes of which 25 make a division.

Two manuals subtract 255 from bytes above 127 where two's complement subtracts 256; this driver
reads two's complement. Where the facts come from, and which stay unconfirmed: drivers/README.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from drivers import scpi
from drivers.decode import SeenCodes, saturating_trace, signed_codes
from drivers.dialects.short_headers import ShortHeaderScope
from drivers.errors import AnswerError
from drivers.scope import AcquisitionRequest, AcquisitionState, Coupling
from drivers.trace import Trace

CODES_PER_DIVISION = 25
_SUFFIXES = {"K": 1_000, "M": 1_000_000}


@dataclass(frozen=True, slots=True)
class Scaling:
    """The settings that scale a record.

    Attributes
    ----------
    volts_per_division, offset : [V] time_per_division : [s]
    delay : time at the centre of the screen. [s]
    sample_rate : [Sa/s]
    divisions : of a record.
    """

    volts_per_division: float
    offset: float
    time_per_division: float
    delay: float
    sample_rate: float
    divisions: int

    @property
    def gain(self) -> float:
        """Return volts per code: V = code * (vdiv / 25) - offset. [V]"""
        return self.volts_per_division / CODES_PER_DIVISION

    @property
    def start(self) -> float:
        """Return the time of the first point: the delay less half a record. [s]"""
        return self.delay - self.time_per_division * self.divisions / 2


def trace(seen: SeenCodes, scale: Scaling, preamble: str) -> Trace:
    """Return the record that codes and settings describe."""
    return saturating_trace(
        seen,
        gain=scale.gain,
        offset=-scale.offset,
        start=scale.start,
        step=1 / scale.sample_rate,
        bits=8,
        width=8,
        preamble=preamble,
    )


class SiglentOld(ShortHeaderScope):
    """One scope of Siglent's older dialect."""

    FORCE = "FRTR"
    CODE_BITS: ClassVar[tuple[int, ...]] = (8,)
    COUPLINGS: ClassVar[dict[tuple[Coupling, float], str]] = {
        **ShortHeaderScope.COUPLINGS,
        ("AC", 50.0): "A50",
    }
    SETTINGS: ClassVar[tuple[str, ...]] = (
        "C{n}:TRA?",
        "C{n}:VDIV?",
        "C{n}:OFST?",
        "C{n}:CPL?",
        "C{n}:ATTN?",
        "BWL?",
        "TDIV?",
        "TRDL?",
        "MSIZ?",
        "SARA?",
        "TRMD?",
        "TRSE?",
    )

    def configure_acquisition(self, wanted: AcquisitionRequest) -> AcquisitionState:
        """Set up time base and memory; the sample rate follows."""
        self.check_segments(wanted)
        divisions = self.profile.horizontal_divisions
        with self.configuring("setting up the acquisition"):
            self.set_all("TRMD STOP", "ACQW SAMPLING")
            scale = self.set_at_least(
                wanted.time_per_record / divisions, "TDIV {}", "TDIV?", scpi.suffixed_number
            )
            middle = wanted.acquisition_start_time + scale * divisions / 2
            length = self.profile.record_length_for(scale * divisions * wanted.minimum_sample_rate)
            self.set_all(f"TRDL {middle:.9E}", f"MSIZ {memory_word(length)}")
            got = self._acquisition()
        self.check_acquisition(wanted, got)
        return got

    def _acquisition(self) -> AcquisitionState:
        scale = self._scaling(1)
        span = scale.time_per_division * scale.divisions
        length = round(scale.sample_rate * span)
        return AcquisitionState(length, scale.sample_rate, span, scale.start)

    def _scaling(self, channel: int) -> Scaling:
        ask = self.link.ask
        return Scaling(
            ask(f"C{channel}:VDIV?", _positive),
            ask(f"C{channel}:OFST?", _finite),
            ask("TDIV?", _positive),
            ask("TRDL?", _finite),
            ask("SARA?", _positive),
            self.profile.horizontal_divisions,
        )

    def fetch(self, channel: int, segment: int = 0) -> Trace:
        """Read one channel; its scale is that of the settings in force."""
        self.check_channel_number(channel)
        self.check_segment(segment)
        self.link.write("WFSU SP,0,NP,0,FP,0")
        scale = self._scaling(channel)
        points = round(scale.sample_rate * scale.time_per_division * scale.divisions)
        data = self.link.query_block(
            f"C{channel}:WF? DAT2",
            limit=2 * max(points, self.profile.maximum_record_length),
            prefix=32,
            terminator=b"\n\n",
        )
        with self.naming_the_instrument():
            # The rate is rounded in its answer, and a model may add points at the end.
            if not 0.98 * points - 2 <= data.size <= 1.02 * points + 64:
                raise AnswerError(
                    f"about {points} points follow from the settings, {data.size} came: the "
                    "settings are not those of the record"
                )
            codes = signed_codes(np.ascontiguousarray(data), width=8, unsigned=False)
            return self.as_configured(trace(SeenCodes.of(codes), scale, repr(scale)))


def _finite(answer: str) -> float:
    value = scpi.suffixed_number(answer)
    if not math.isfinite(value):
        raise AnswerError(f"expected an ordinary number, got {scpi.shown(answer)}")
    return value


def _positive(answer: str) -> float:
    value = _finite(answer)
    if value <= 0:
        raise AnswerError(f"expected a number above zero, got {scpi.shown(answer)}")
    return value


def memory_word(samples: int) -> str:
    """Return a memory size as the dialect writes it: ``7K``, ``1.4M``."""
    for suffix, unit in reversed(_SUFFIXES.items()):
        if samples >= unit:
            return f"{samples / unit:g}{suffix}"
    return str(samples)
