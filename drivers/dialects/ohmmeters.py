"""Ohmmeters that speak ``MEASure:FRESistance?`` (4-wire resistance)."""

from __future__ import annotations

import math

from drivers import scpi
from drivers.errors import AnswerError, ComplaintError, InstrumentError
from drivers.instrument import drain, recover
from drivers.link import Link
from drivers.ohmmeter import Ohmmeter
from drivers.scope import Identity

_MEASURING_TIME = 15.0  # seconds beyond the link's time-out: autorange and 10 power line cycles


class ScpiOhmmeter(Ohmmeter):
    """One ohmmeter."""

    def __init__(self, link: Link, identity: Identity) -> None:
        self.link = link
        self.identity = identity

    def close(self) -> None:
        """Close the link."""
        self.link.close()

    def recover(self) -> None:
        """Close, reopen, prove identity."""
        recover(self.link, self.identity)

    def errors(self) -> tuple[InstrumentError, ...]:
        """Drain the error queue."""
        return drain(self.link)

    def resistance_4_wire(self, range_ohm: float | None = None) -> float:
        """Measure once; the error queue is checked, and "not a number" is no result. [ohm]"""
        command = "MEASure:FRESistance?"
        if range_ohm is not None:
            command += f" {range_ohm:.6E}"
        patience = self.link.policy.timeout + _MEASURING_TIME
        ohms = self.link.ask(command, scpi.number, timeout=patience)
        found = self.errors()
        if found:
            entries = "; ".join(str(entry) for entry in found)
            raise ComplaintError(
                f"it reports after {command}: {entries}", found, instrument=self.link.label
            )
        if math.isnan(ohms):
            raise AnswerError(
                f"{command} was answered with not-a-number", instrument=self.link.label
            )
        return ohms
