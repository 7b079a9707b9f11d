"""The ohmmeter QM-61: 4-wire resistance of whatever paths the relays have closed."""

from __future__ import annotations

import math

import numpy as np

from simulated_instruments.circuit import Circuit
from simulated_instruments.models import MAKER
from simulated_instruments.scpi import Command, Instrument, Suffixes
from simulated_instruments.status import ScpiError
from simulated_instruments.values import Number

OVERLOAD = 9.9e37
"""SCPI-99's infinity."""
RANGES = (1.0, 10.0, 100.0, 1e3, 10e3)
_AUTO = (("AUTO", 0.0), ("DEFault", 0.0), ("MINimum", RANGES[0]), ("MAXimum", RANGES[-1]))


class Milliohmmeter(Instrument):
    """``MEASure:FRESistance? [range[,resolution]]`` and ``CONFigure`` / ``READ?``."""

    def __init__(self, circuit: Circuit) -> None:
        self._circuit = circuit
        self._random = np.random.default_rng((circuit.seed, 61))
        self.identity = (MAKER, "QM-61", f"QM{circuit.seed:06d}", "2.03")
        super().__init__()
        self.reset()

    def reset(self) -> None:
        """Measure 4-wire resistance with automatic range."""
        self._range = 0.0

    def table(self) -> tuple[Command, ...]:
        """Return the meter's commands."""
        arguments = (Number("OHM", _AUTO), Number("OHM", _AUTO))
        return (
            Command("MEASure:FRESistance", query=self._measure, asks=arguments, optional=2),
            Command("CONFigure:FRESistance", arguments, self._configure, optional=2),
            Command("CONFigure", query=lambda _: '"FRES"'),
            Command("READ", query=self._read),
            Command("SYSTem:ERRor[:NEXT]", query=self._error),
        )

    def _configure(self, _: Suffixes, full_scale: float = 0.0, _resolution: float = 0.0) -> None:
        if not 0 <= full_scale <= RANGES[-1]:
            raise ScpiError(-222, f"{full_scale:g} ohm")
        self._range = next(r for r in RANGES if r >= full_scale) if full_scale else 0.0

    def _measure(self, suffixes: Suffixes, full_scale: float = 0.0, resolution: float = 0.0) -> str:
        self._configure(suffixes, full_scale, resolution)
        return self._read(suffixes)

    def _read(self, _: Suffixes) -> str:
        true = self._circuit.resistance()
        limit = 1.2 * (self._range or RANGES[-1])
        if math.isinf(true) or true > limit:
            return f"{OVERLOAD:+.6E}"
        scatter = self._circuit.scenario.contact_scatter
        return f"{true + scatter * float(self._random.standard_normal()):+.6E}"

    def _error(self, _: Suffixes) -> str:
        code, text = self.status.pop()
        return f'{code},"{text}"'
