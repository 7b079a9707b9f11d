"""What the simulated oscilloscopes of all dialects have in common on their command side."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from simulated_instruments.acquisition import Acquisition
from simulated_instruments.digitiser import Codes
from simulated_instruments.models import MAKER, ScopeModel
from simulated_instruments.scpi import Buffer, Command, Instrument, Suffixes
from simulated_instruments.status import ScpiError
from simulated_instruments.values import Boolean, Choice, Parameter


class SimulatedScope(Instrument):
    """What the oscilloscopes of all dialects have in common."""

    def __init__(self, model: ScopeModel, acquisition: Acquisition) -> None:
        self.model, self.acquisition = model, acquisition
        self.identity = (MAKER, model.model, f"QS{acquisition.circuit.seed:06d}", "01.20.2026")
        self.words: dict[tuple[str, Suffixes], str] = {}
        super().__init__()
        self.reset()

    def reset(self) -> None:
        """Do what ``*RST`` does."""
        self.words.clear()
        self.acquisition.reset()

    def operation_complete(self) -> bool:
        """Whether no single acquisition is pending."""
        return self.acquisition.stopped()

    def remember(self, header: str, kind: Parameter, initial: str) -> Command:
        """Make a command that is kept and told, and changes nothing else."""

        def write(suffixes: Suffixes, value: object) -> None:
            told = int(value) if isinstance(value, bool) else value
            self.words[header, suffixes] = nr3(told) if isinstance(told, float) else str(told)

        return Command(
            header, (kind,), write, lambda suffixes: self.words.get((header, suffixes), initial)
        )

    def choose(self, header: str, words: str, attribute: str) -> Command:
        """Make a command that sets an attribute to the short form of one of some words."""
        return Command(
            header,
            (Choice(words),),
            lambda _, value: setattr(self, attribute, value),
            lambda _: str(getattr(self, attribute)),
        )

    def switch(self, header: str, attribute: str) -> Command:
        """Make a command that sets an attribute on or off."""
        return Command(
            header,
            (Boolean(),),
            lambda _, value: setattr(self, attribute, value),
            lambda _: str(int(getattr(self, attribute))),
        )

    def show(self, header: str) -> Command:
        """Make the command that puts an input on the display."""
        return Command(
            header,
            (Boolean(),),
            lambda s, value: self.acquisition.set_channel(s[0], enabled=value),
            lambda s: str(int(self.acquisition.channel(s[0]).enabled)),
        )

    def error_reply(self, _: Suffixes) -> str:
        """Answer ``SYSTem:ERRor?``."""
        code, text = self.status.pop()
        return f'{code},"{text}"'

    def set_range(self, number: int, volts: float) -> None:
        """Set a full-scale range [V at the probe tip] to the next that there is.

        Raises
        ------
        ScpiError
            -222, after setting the nearest, where the request is beyond the ranges.
        """
        channel, ranges = self.acquisition.channel(number), self.model.ranges
        wanted = volts / channel.probe
        nearest = self.acquisition.nearest_range(max(wanted, ranges[0]))
        self.acquisition.set_channel(number, range=nearest)
        if not ranges[0] * 0.999 <= wanted <= ranges[-1] * 1.001:
            raise ScpiError(-222, nr3(volts))

    def range_volts(self, number: int) -> float:
        """Return the full-scale range. [V at the probe tip]"""
        channel = self.acquisition.channel(number)
        return channel.range * channel.probe

    def set_centre(self, number: int, volts: float, limit: float) -> None:
        """Set the level at the centre of the range [V at the probe tip]; ``limit`` at the input.

        Raises
        ------
        ScpiError
            -222, after setting the nearest.
        """
        channel = self.acquisition.channel(number)
        wanted = volts / channel.probe
        held = min(max(wanted, -limit), limit)
        self.acquisition.set_channel(number, offset=held)
        if held != wanted:
            raise ScpiError(-222, nr3(volts))

    def centre_volts(self, number: int) -> float:
        """Return the level at the centre of the range. [V at the probe tip]"""
        channel = self.acquisition.channel(number)
        return channel.offset * channel.probe


def encoded(pieces: Iterator[Codes], encode: Callable[[Codes], Buffer]) -> Iterator[Buffer]:
    """Yield pieces as they go on the wire; one that repeats is encoded once."""
    last: Codes | None = None
    ready: Buffer = b""
    for codes in pieces:
        if codes is not last:
            last, ready = codes, encode(codes)
        yield ready


def as_bytes(codes: npt.NDArray[Any]) -> Buffer:
    """Return an array as the bytes that go on the wire, without a copy."""
    return np.ascontiguousarray(codes).data.cast("B")


def nr3(value: float) -> str:
    """Return a number in NR3 form (IEEE 488.2 8.7.4)."""
    return f"{value:+.6E}"
