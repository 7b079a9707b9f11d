"""What the families with headers such as ``C1:VDIV`` and ``TRMD`` have in common.

LeCroy made them; Siglent's older scopes took them over, with other rules for the waveform. In
kind: coupling and impedance in one word, a positive offset moves the trace up, values out of range
become the nearest without an error, one register that is cleared when read tells how an arming
stands, and there is no error queue.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from drivers import scpi
from drivers.errors import AnswerError, InstrumentError
from drivers.scope import (
    AcquisitionStatus,
    ChannelSettings,
    Coupling,
    Slope,
    TriggerSettings,
    TriggerSource,
)
from drivers.scpi_scope import ScpiScope

BANDWIDTH_LIMIT = 20e6  # Hz
NEW_ACQUISITION, TRIGGER_READY = 1 << 0, 1 << 13  # bits of INR?
_ERRORS = {"CMR": 1 << 5, "EXR": 1 << 4, "DDR": 1 << 3, "QYR": 1 << 2}  # register: bit of *ESR?
_TEXTS = {  # IEEE 488.2, 11.5.1
    "CMR": "command error",
    "EXR": "execution error",
    "DDR": "device-dependent error",
    "QYR": "query error",
}
_SLOPES: dict[str, Slope] = {"POS": "positive", "NEG": "negative"}


class ShortHeaderScope(ScpiScope):
    """Base of the two families."""

    #: (coupling, impedance) -> the one word for both.
    COUPLINGS: ClassVar[Mapping[tuple[Coupling, float], str]] = {
        ("DC", 1e6): "D1M",
        ("AC", 1e6): "A1M",
        ("DC", 50.0): "D50",
    }
    #: Registers that number the errors of one kind, each cleared when read.
    ERROR_REGISTERS: ClassVar[tuple[str, ...]] = ()

    _internal_state = 0

    # -- session ---------------------------------------------------------------------------------
    def prepare(self) -> None:
        """Answers without headers and units."""
        self.link.write("CHDR OFF")

    def after_reset(self) -> None:
        """Stop; no automatic sweep from here on."""
        self.set_all("TRMD NORM", "TRMD STOP")

    def errors(self) -> tuple[InstrumentError, ...]:
        """Read the event status register, and what the family has to say more about its errors."""
        status = self.link.ask("*ESR?", scpi.integer)
        found = []
        for register, bit in _ERRORS.items():
            if status & bit:
                numbered = register in self.ERROR_REGISTERS
                code = self.link.ask(f"{register}?", scpi.integer) if numbered else None
                found.append(InstrumentError(code or None, _TEXTS[register]))
        return tuple(found)

    # -- configuration ---------------------------------------------------------------------------
    def configure_channel(self, wanted: ChannelSettings) -> ChannelSettings:
        """Set up one input and return what was read back."""
        self.check_channel(wanted)
        limited = self.check_bandwidth_limit(wanted, BANDWIDTH_LIMIT)
        word = self.COUPLINGS.get((wanted.coupling, wanted.input_impedance))
        if word is None:
            raise self.refuse(
                f"channel {wanted.channel}: {wanted.coupling} at {wanted.input_impedance:g} ohm "
                "was asked for; this family has no such input"
            )
        root = f"C{wanted.channel}"
        with self.configuring(f"setting up channel {wanted.channel}"):
            self.set_all(
                f"{root}:ATTN 1",
                f"{root}:CPL {word}",
                f"BWL {root},{'ON' if limited else 'OFF'}",
                f"{root}:VDIV {wanted.vertical_range / self.profile.vertical_divisions:.6E}",
                f"{root}:OFST {-wanted.vertical_offset:.6E}",
                f"{root}:TRA {'ON' if wanted.enabled else 'OFF'}",
            )
            got = self._channel(wanted.channel)
        return self.enable(got)

    def _channel(self, channel: int) -> ChannelSettings:
        root, ask = f"C{channel}", self.link.ask
        meanings = {word: meaning for meaning, word in self.COUPLINGS.items()}
        coupling, impedance = ask(f"{root}:CPL?", lambda a: scpi.keyword(a, meanings))
        return ChannelSettings(
            channel,
            ask(f"{root}:VDIV?", scpi.suffixed_number) * self.profile.vertical_divisions,
            0.0 - ask(f"{root}:OFST?", scpi.suffixed_number),
            coupling,
            impedance,
            ask("BWL?", lambda a: _bandwidth_limit(a, root)),
            ask(f"{root}:TRA?", scpi.boolean),
        )

    def configure_edge_trigger(self, wanted: TriggerSettings) -> TriggerSettings:
        """Set up a normal-sweep edge trigger and return what was read back."""
        if wanted.source == "external":
            source = "EX"
        else:
            self.check_channel_number(wanted.source)
            source = f"C{wanted.source}"
        slope = {meaning: word for word, meaning in _SLOPES.items()}[wanted.slope]
        with self.configuring("setting up the trigger"):
            self.set_all(
                f"TRSE EDGE,SR,{source},HT,OFF",
                f"{source}:TRCP DC",
                f"{source}:TRSL {slope}",
                f"{source}:TRLV {wanted.level:.6E}",
                "TRMD NORM",
            )
            sweep = self.link.query("TRMD?")
            self.check_normal_sweep(sweep.strip().upper().startswith("NORM"), sweep)
            self.link.write("TRMD STOP")
            return TriggerSettings(
                self.link.ask("TRSE?", _trigger_source),
                self.link.ask(f"{source}:TRLV?", scpi.suffixed_number),
                self.link.ask(f"{source}:TRSL?", lambda a: scpi.keyword(a, _SLOPES)),
            )

    # -- one arming ------------------------------------------------------------------------------
    def before_arming(self) -> None:
        """Stop, and read the register of internal changes, which clears it."""
        self.link.write("TRMD STOP")
        self.link.ask("INR?", scpi.integer)
        self._internal_state = 0

    def arm(self) -> None:
        """Start one acquisition."""
        self.link.write("TRMD SINGLE")

    def _look(self) -> int:
        """Read the register of internal changes, and keep what was seen since the arming."""
        self._internal_state |= self.link.ask("INR?", scpi.integer)
        return self._internal_state

    def arming_confirmed(self) -> bool:
        """Ask for the latched bits "trigger ready" and "new acquisition"."""
        return bool(self._look() & (TRIGGER_READY | NEW_ACQUISITION))

    def acquisition_status(self) -> AcquisitionStatus:
        """Ask for the latched bits; a bit that was seen once stays known here."""
        if not self._armed:
            return AcquisitionStatus.IDLE
        seen = self._look()
        if seen & NEW_ACQUISITION:
            return AcquisitionStatus.COMPLETE
        return AcquisitionStatus.WAITING if seen & TRIGGER_READY else AcquisitionStatus.UNKNOWN

    def stop(self) -> None:
        """Stop."""
        self.link.write("TRMD STOP")

    def stopped(self) -> bool:
        """Ask whether the trigger mode is STOP."""
        return self.link.query("TRMD?").strip().upper() == "STOP"


def _bandwidth_limit(answer: str, channel: str) -> float | None:
    """Return one input's limit from an answer such as ``C1,OFF,C2,ON``."""
    words = [word.strip().upper() for word in answer.split(",")]
    limits = dict(zip(words[::2], words[1::2], strict=False))
    word = limits.get(channel, words[0] if len(words) == 1 else "")
    if word not in {"OFF", "FULL", "ON", "20MHZ"}:
        raise AnswerError(f"expected OFF, ON or 20MHZ for {channel}, got {scpi.shown(answer)}")
    return None if word in {"OFF", "FULL"} else BANDWIDTH_LIMIT


def _trigger_source(answer: str) -> TriggerSource:
    """Return the source from an answer such as ``EDGE,SR,C2,HT,OFF``."""
    words = [word.strip().upper() for word in answer.split(",")]
    source = words[words.index("SR") + 1] if "SR" in words[:-1] else ""
    if source.startswith("EX"):
        return "external"
    if source.startswith("C"):
        return scpi.integer(source[1:])
    raise AnswerError(f"expected an edge trigger with its source, got {scpi.shown(answer)}")
