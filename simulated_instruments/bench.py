"""A whole simulated bench: oscilloscope, relay unit and ohmmeter on one circuit."""

from __future__ import annotations

from types import TracebackType

from simulated_instruments.acquisition import Acquisition, Pace
from simulated_instruments.circuit import Circuit
from simulated_instruments.dialects import TWINS
from simulated_instruments.faults import Faults
from simulated_instruments.hislip import HislipServer
from simulated_instruments.models import MODELS
from simulated_instruments.ohmmeter import Milliohmmeter
from simulated_instruments.scenario import Scenario
from simulated_instruments.scpi import Instrument
from simulated_instruments.server import SecondClient, Server, SocketServer
from simulated_instruments.switch import Readback, RelayUnit
from simulated_instruments.vxi11 import Vxi11Server

SERVERS: dict[str, type[Server]] = {
    "socket": SocketServer,
    "hislip": HislipServer,
    "vxi11": Vxi11Server,
}
ROLES = ("scope", "switch", "ohmmeter")


class SimulatedBench:
    """Start with ``with`` or ``start``; the addresses are in ``resources``.

    Parameters
    ----------
    seed : of everything random, serial numbers included.
    dialect : key of `simulated_instruments.dialects.TWINS`.
    scenario : what there is to measure; None = the demonstration's.
    ports : of scope, switch and ohmmeter; 0 = any free one.
    faults : to share between benches; None = an own, empty set. Also reachable as ``faults``.
    transport : key of `SERVERS`.
    readback : convention of the relay unit.
    second_client : what a second client of an instrument meets.
    pace : wall times of the oscilloscope.

    Attributes
    ----------
    circuit : the tests' door to the truth. faults : the tests' door to trouble.
    scope, switch, ohmmeter : the instruments themselves.
    """

    def __init__(
        self,
        seed: int = 0,
        dialect: str = "keysight_infiniivision",
        scenario: Scenario | None = None,
        ports: tuple[int, int, int] = (0, 0, 0),
        faults: Faults | None = None,
        transport: str = "socket",
        readback: Readback = "per channel",
        second_client: SecondClient = "wait",
        pace: Pace = Pace(),  # noqa: B008 - frozen
    ) -> None:
        self.circuit = Circuit(scenario, seed)
        self.faults = faults if faults is not None else Faults(seed)
        acquisition = Acquisition(MODELS[dialect], self.circuit, pace, late=self._late)
        self.scope = TWINS[dialect](MODELS[dialect], acquisition)
        self.switch = RelayUnit(self.circuit, self.faults, readback)
        self.ohmmeter = Milliohmmeter(self.circuit)
        instruments: tuple[Instrument, ...] = (self.scope, self.switch, self.ohmmeter)
        server = SERVERS[transport]
        self._servers = {
            role: server(instrument, role, self.faults, port, second_client)
            for role, instrument, port in zip(ROLES, instruments, ports, strict=True)
        }

    def _late(self) -> float:
        if self.faults.take("no_trigger", "scope"):
            return float("inf")
        late = self.faults.take("late_trigger", "scope")
        return late.number("seconds", 0.3) if late else 0.0

    @property
    def resources(self) -> dict[str, str]:
        """The VISA resource string of each role."""
        return {role: server.resource for role, server in self._servers.items()}

    def start(self) -> SimulatedBench:
        """Listen on all ports."""
        for server in self._servers.values():
            server.start()
        return self

    def close(self) -> None:
        """Stop all servers; may be called twice."""
        for server in self._servers.values():
            server.close()

    def __enter__(self) -> SimulatedBench:
        return self.start()

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
