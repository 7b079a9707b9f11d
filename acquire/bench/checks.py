"""What a bench profile must mean, beyond its form."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from acquire.bench.schema import Bench, RelayFixture
from acquire.quantities import format_quantity
from acquire.textfile import Check, Complaint

LOW_IMPEDANCE = 1000.0
"""An input below this is a termination, which a modest voltage destroys. [ohm]"""


def checks(bench: Bench) -> Iterator[Check]:
    """Yield every check of a bench profile."""
    for name in bench.inputs:
        yield partial(_terminated, bench, name)
    yield partial(_channels_distinct, bench)
    yield partial(_resources, bench)
    yield partial(_resources_distinct, bench)
    yield partial(_relays, bench)


def _terminated(bench: Bench, name: str) -> Iterator[Complaint]:
    wired = bench.inputs[name]
    if wired.input_impedance < LOW_IMPEDANCE and wired.maximum_input is None:
        ohms = format_quantity(wired.input_impedance, "ohm")
        message = (
            f"an input of {ohms} is destroyed by a modest voltage, so maximum_input is needed with "
            "it: the peak voltage that the scope's data sheet allows there, like '5 V'"
        )
        yield ("inputs", name, "input_impedance"), message


def _channels_distinct(bench: Bench) -> Iterator[Complaint]:
    taken: dict[int, str] = {}
    for name, wired in bench.inputs.items():
        if wired.channel in taken:
            message = f"channel {wired.channel} is already wired to '{taken[wired.channel]}'"
            yield ("inputs", name, "channel"), message
        taken.setdefault(wired.channel, name)


def _all_resources(bench: Bench) -> Iterator[tuple[str, str]]:
    yield "scope", bench.scope.resource
    if bench.fixture.kind == "relay":
        yield "fixture", bench.fixture.resource
    if bench.ohmmeter is not None:
        yield "ohmmeter", bench.ohmmeter.resource


def _resources(bench: Bench) -> Iterator[Complaint]:
    for role, resource in _all_resources(bench):
        if "::" not in resource:
            message = (
                f"'{resource}' is not a VISA resource string; write one like "
                "'TCPIP::192.168.0.7::INSTR' or 'TCPIP::192.168.0.7::5025::SOCKET'"
            )
            yield (role, "resource"), message


def _resources_distinct(bench: Bench) -> Iterator[Complaint]:
    taken: dict[str, str] = {}
    for role, resource in _all_resources(bench):
        key = "".join(resource.split()).upper()
        if key in taken:
            yield (role, "resource"), f"the {taken[key]} has the same resource"
        taken.setdefault(key, role)


def _relays(bench: Bench) -> Iterator[Complaint]:
    if bench.fixture.kind != "relay":
        return
    fixture: RelayFixture = bench.fixture
    taken: dict[frozenset[int], str] = {}
    for name, channels in fixture.conditions.items():
        closed = frozenset(channels)
        place = ("fixture", "conditions", name)
        if len(closed) < len(channels):
            yield place, "a channel stands here twice"
        elif closed in taken:
            yield place, f"closes the same channels as '{taken[closed]}', so nothing would change"
        taken.setdefault(closed, name)
