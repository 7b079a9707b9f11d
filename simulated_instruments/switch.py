"""The relay unit QK-34, in the two readback conventions that such units have.

* ``per channel``: ``ROUTe:CLOSe? (@list)`` answers 1 or 0 per channel, from what was commanded.
* ``list``: ``ROUTe:CLOSe?`` answers the list of closed channels and ``ROUTe:CLOSe:STATe? (@list)``
  1 or 0 per channel, both from the contacts. This unit identifies as QK-34L.
"""

from __future__ import annotations

from typing import Literal

from simulated_instruments.circuit import Circuit
from simulated_instruments.faults import Faults
from simulated_instruments.models import MAKER
from simulated_instruments.scenario import AROUND_PROBE
from simulated_instruments.scpi import Command, Instrument, Suffixes
from simulated_instruments.status import ScpiError
from simulated_instruments.values import ChannelList

Readback = Literal["per channel", "list"]
CHANNELS = range(101, AROUND_PROBE + 1)


class RelayUnit(Instrument):
    """Ten relays, 101 to 110; ``*RST`` opens all of them."""

    def __init__(
        self, circuit: Circuit, faults: Faults | None = None, readback: Readback = "per channel"
    ) -> None:
        self._circuit, self._faults, self._readback = circuit, faults or Faults(), readback
        model = "QK-34" if readback == "per channel" else "QK-34L"
        self.identity = (MAKER, model, f"QK{circuit.seed:06d}", "1.07")
        self._commanded: set[int] = set()
        self._contacts: set[int] = set()
        super().__init__()

    def reset(self) -> None:
        """Open every relay."""
        self._open((), tuple(CHANNELS))

    def table(self) -> tuple[Command, ...]:
        """Return the unit's commands."""
        channels = (ChannelList(),)
        rows = [
            Command("[ROUTe:]OPEN", channels, self._open),
            Command("[ROUTe:]OPEN:ALL", write=lambda _: self.reset()),
            Command("[ROUTe:]CLOSe:EXCLusive", channels, self._close_exclusive),
            Command("SYSTem:ERRor[:NEXT]", query=self._error),
        ]
        if self._readback == "list":
            rows += [
                Command("[ROUTe:]CLOSe", channels, self._close, self._closed_list),
                Command("[ROUTe:]CLOSe:STATe", query=self._contact_states, asks=channels),
            ]
        else:
            rows += [
                Command("[ROUTe:]CLOSe", channels, self._close, self._commanded_states, channels)
            ]
        return tuple(rows)

    def _close(self, _: Suffixes, channels: tuple[int, ...]) -> None:
        for number in self._known(channels):
            self._commanded.add(number)
            if not self._faults.take("relay_stuck_open", "switch"):
                self._contacts.add(number)
        self._circuit.set_closed(self._contacts)

    def _close_exclusive(self, suffixes: Suffixes, channels: tuple[int, ...]) -> None:
        self._known(channels)
        self._open(suffixes, tuple(set(CHANNELS) - set(channels)))
        self._close(suffixes, channels)

    def _open(self, _: Suffixes, channels: tuple[int, ...]) -> None:
        for number in self._known(channels):
            self._commanded.discard(number)
            if number in self._contacts and self._faults.take("relay_stuck_closed", "switch"):
                continue
            self._contacts.discard(number)
        self._circuit.set_closed(self._contacts)

    def _commanded_states(self, _: Suffixes, channels: tuple[int, ...]) -> str:
        return ",".join(str(int(n in self._commanded)) for n in self._known(channels))

    def _contact_states(self, _: Suffixes, channels: tuple[int, ...]) -> str:
        return ",".join(str(int(n in self._contacts)) for n in self._known(channels))

    def _closed_list(self, _: Suffixes) -> str:
        return f"(@{','.join(str(n) for n in sorted(self._contacts))})"

    @staticmethod
    def _known(channels: tuple[int, ...]) -> tuple[int, ...]:
        for number in channels:
            if number not in CHANNELS:
                raise ScpiError(-222, f"channel {number}")
        return channels

    def _error(self, _: Suffixes) -> str:
        code, text = self.status.pop()
        return f'{code},"{text}"'
