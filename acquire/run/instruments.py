"""The instruments of one bench: opened, identified, and closed again whatever happens."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass

from acquire.bench import LoadedBench
from acquire.bench.schema import Instrument, RelayFixture
from acquire.errors import InstrumentFault
from acquire.runfile.records import InstrumentRecord
from drivers import catalogue
from drivers.errors import DriverError, InstrumentError
from drivers.link import LinkPolicy
from drivers.ohmmeter import Ohmmeter
from drivers.profile import ScopeProfile
from drivers.scope import Identity, Scope
from drivers.switch import Switch


@dataclass(frozen=True, slots=True)
class Openers:
    """How each kind of instrument is opened; replaced in tests of the runner."""

    scope: Callable[[str, Mapping[str, ScopeProfile], str | None, LinkPolicy], Scope]
    switch: Callable[[str, LinkPolicy], Switch]
    ohmmeter: Callable[[str, LinkPolicy], Ohmmeter]


OVER_VISA = Openers(
    scope=lambda resource, profiles, profile, policy: catalogue.open_scope(
        resource, profiles, profile=profile, policy=policy
    ),
    switch=lambda resource, policy: catalogue.open_switch(resource, policy=policy),
    ohmmeter=lambda resource, policy: catalogue.open_ohmmeter(resource, policy=policy),
)
"""The real thing."""


@dataclass(frozen=True, slots=True)
class Instruments:
    """What is open. ``switch`` and ``ohmmeter`` are None where the bench has none."""

    scope: Scope
    switch: Switch | None
    ohmmeter: Ohmmeter | None

    def met(self) -> Iterator[tuple[str, Scope | Switch | Ohmmeter]]:
        """Yield role and driver of each."""
        yield "scope", self.scope
        if self.switch is not None:
            yield "switch", self.switch
        if self.ohmmeter is not None:
            yield "ohmmeter", self.ohmmeter


def entries(bench: LoadedBench) -> dict[str, Instrument]:
    """Return the bench profile's instruments by role."""
    found: dict[str, Instrument] = {"scope": bench.bench.scope}
    if isinstance(bench.bench.fixture, RelayFixture):
        found["switch"] = bench.bench.fixture
    if bench.bench.ohmmeter is not None:
        found["ohmmeter"] = bench.bench.ohmmeter
    return found


def resources(bench: LoadedBench) -> list[str]:
    """Return the resource of every instrument."""
    return [entry.resource for entry in entries(bench).values()]


@contextmanager
def opened(bench: LoadedBench, openers: Openers = OVER_VISA) -> Iterator[Instruments]:
    """Open every instrument of the bench, prove its identity, and close it afterwards.

    Raises
    ------
    InstrumentFault
        Where one does not answer, or another unit than the bench profile names answers.
    """
    wanted = entries(bench)
    with ExitStack() as stack:
        try:
            scope = openers.scope(
                wanted["scope"].resource,
                bench.scope_profiles,
                bench.bench.scope.profile,
                policy(bench, wanted["scope"]),
            )
            stack.callback(scope.close)
            switch = ohmmeter = None
            if "switch" in wanted:
                entry = wanted["switch"]
                switch = openers.switch(entry.resource, policy(bench, entry))
                stack.callback(switch.close)
            if "ohmmeter" in wanted:
                entry = wanted["ohmmeter"]
                ohmmeter = openers.ohmmeter(entry.resource, policy(bench, entry))
                stack.callback(ohmmeter.close)
        except DriverError as error:
            raise InstrumentFault(f"{error}. Check its address, cable and power") from error
        found = Instruments(scope, switch, ohmmeter)
        for role, driver in found.met():
            _require_identity(role, wanted[role], driver.identity)
        yield found


def policy(bench: LoadedBench, entry: Instrument) -> LinkPolicy:
    """Return how long to wait for an instrument, and how often to try."""
    retry = bench.bench.retry
    return LinkPolicy(
        timeout=entry.timeout,
        open_timeout=entry.timeout,
        reconnects=retry.reconnects,
        reconnect_wait=retry.reconnect_wait,
    )


def leftover_errors(instruments: Instruments) -> dict[str, tuple[InstrumentError, ...]]:
    """Drain every error queue; return what was in it, by role.

    Raises
    ------
    InstrumentFault
        Where an instrument does not answer.
    """
    try:
        return {role: driver.errors() for role, driver in instruments.met()}
    except DriverError as error:
        raise InstrumentFault(str(error)) from error


def records(
    bench: LoadedBench, instruments: Instruments, settings: Mapping[str, str]
) -> list[InstrumentRecord]:
    """Return the instruments for the run file; ``settings`` are the scope's own words."""
    wanted = entries(bench)
    return [
        InstrumentRecord(
            role=role,
            resource=wanted[role].resource,
            idn=driver.identity.raw,
            calibration_due=_date(wanted[role]),
            settings=settings if role == "scope" else {},
        )
        for role, driver in instruments.met()
    ]


def _date(entry: Instrument) -> str | None:
    return None if entry.calibration_due is None else entry.calibration_due.isoformat()


def _require_identity(role: str, entry: Instrument, found: Identity) -> None:
    for field in ("maker", "model", "serial"):
        wanted = getattr(entry.identity, field)
        answered = getattr(found, field)
        if wanted is not None and wanted.casefold() != answered.casefold():
            raise InstrumentFault(
                f"{role} ({entry.resource}): its {field} is {answered!r}, but the bench profile "
                f"names {wanted!r}; connect that unit, or correct the bench profile"
            )
