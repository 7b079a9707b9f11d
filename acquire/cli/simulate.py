"""``floorshot simulate``: a bench that is not there, for trying everything out."""

from __future__ import annotations

import select
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import click

from acquire.cli import console, simulated_profile
from acquire.cli.options import seed_option
from acquire.errors import RefusedError

if TYPE_CHECKING:
    from simulated_instruments.bench import SimulatedBench

DEFAULT_PORT = 45025
"""Of the oscilloscope; the relay unit and the ohmmeter have the two after it."""

_POLL = 0.1
"""How often it is seen whether it is over. [s]"""


def _known_dialect(_ctx: click.Context, _option: click.Parameter, value: str) -> str:
    from simulated_instruments.dialects import TWINS

    if value not in TWINS:
        raise click.BadParameter(f"'{value}' is not one of {', '.join(TWINS)}")
    return value


dialect_option = click.option(
    "--dialect",
    callback=_known_dialect,
    default="keysight_infiniivision",
    show_default=True,
    metavar="NAME",
    help="Command dialect of the simulated oscilloscope (a wrong one lists the choices).",
)


@click.command(
    short_help="Serve a simulated bench until interrupted.",
    epilog="Exit codes: 0 interrupted, which is how it ends; 2 a port is taken, or bad input.",
)
@click.option(
    "--port",
    type=click.IntRange(0, 65533),
    default=DEFAULT_PORT,
    show_default=True,
    help="Of the oscilloscope; the two after it are the relay unit's and the ohmmeter's. "
    "0 takes any free ones.",
)
@dialect_option
@seed_option
@click.option(
    "--fixture",
    type=click.Choice(["relay", "operator"]),
    default="relay",
    show_default=True,
    help="Of the bench profile. With 'operator' you set each condition by typing its name here, "
    "as a hand at a real conductor would.",
)
@click.option(
    "--write",
    type=click.Path(path_type=Path, dir_okay=False),
    default=Path("simulated_bench.yaml"),
    show_default=True,
    help="Where to write the bench profile of this bench.",
)
def command(port: int, dialect: str, seed: int, fixture: str, write: Path) -> int:
    """Serve a simulated oscilloscope, relay unit and ohmmeter on this computer, until Ctrl-C.

    They listen on 127.0.0.1 only, speak SCPI on raw sockets and share one simulated circuit: the
    bonding lead of a force-balance rack in a wind tunnel, with a fan inverter as the source. The
    addresses are printed, and a bench profile with them is written.

    \b
    Example, with two terminals:
      floorshot simulate
      floorshot check bonding_lead --bench simulated_bench.yaml
      floorshot run bonding_lead --bench simulated_bench.yaml
    """
    from simulated_instruments.bench import SimulatedBench

    simulated_profile.refuse_foreign_file(write)
    ports = (0, 0, 0) if port == 0 else (port, port + 1, port + 2)
    bench = SimulatedBench(seed=seed, dialect=dialect, ports=ports)
    with _ending_on_signals() as ended, _listening(bench, ports):
        simulated_profile.write(write, bench.resources, fixture)
        for role, resource in bench.resources.items():
            console.say(f"{role:<9} {resource}")
        console.say(f"bench     {write}")
        console.say("Ready; Ctrl-C ends it.")
        if fixture == "operator":
            _follow_hands(bench, ended)
        ended.wait()
    return 0


class _Ended:
    """Whether a signal came. A plain flag: a lock could be held when the handler runs."""

    def __init__(self) -> None:
        self._by_signal = False

    def __call__(self) -> bool:
        return self._by_signal

    def on_signal(self, _number: int, _frame: FrameType | None) -> None:
        self._by_signal = True

    def wait(self) -> None:
        while not self._by_signal:
            time.sleep(_POLL)


@contextmanager
def _ending_on_signals() -> Iterator[_Ended]:
    ended = _Ended()
    before = {n: signal.signal(n, ended.on_signal) for n in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield ended
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _listening(bench: SimulatedBench, ports: tuple[int, int, int]) -> Iterator[None]:
    try:
        bench.start()
    except OSError as error:
        bench.close()
        raise RefusedError(
            f"the simulated bench cannot listen on the ports {ports[0]} to {ports[2]} "
            f"({error.strerror}); another one may be running. Choose others, or --port 0"
        ) from error
    try:
        yield
    finally:
        bench.close()


def conditions_of(bench: SimulatedBench) -> list[str]:
    """Return the name of every condition that the simulated conductor can be in."""
    scenario = bench.circuit.scenario
    return [element.name for element in scenario.paths.values()] + list(scenario.conditions)


def _follow_hands(bench: SimulatedBench, ended: _Ended) -> None:
    """Set the condition that is typed, until the end; the hand at the simulated conductor."""
    names = conditions_of(bench)
    console.say(f"Set a condition by hand: type one of {', '.join(names)}")
    for name in _lines(ended):
        if name in names:
            bench.circuit.set_condition(name)
            console.say(f"{name} stands")
        elif name:
            console.complain(f"there is no condition '{name}'; there are {', '.join(names)}")


def _lines(is_over: Callable[[], bool]) -> Iterator[str]:
    while not is_over():
        ready, _, _ = select.select([sys.stdin], [], [], _POLL)
        if not ready:
            continue
        line = sys.stdin.readline()
        if not line:
            return
        yield line.strip()
