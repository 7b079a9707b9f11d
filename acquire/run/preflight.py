"""What can be known to go wrong before a run, and is refused or warned about then.

`offline` contacts nothing. `contacting` asks and configures the instruments, moves no relay and
takes no record. A run does both at its start. `check` does both for a person who wants to know, and
then looks at every wired input, without a trigger and without keeping anything.

A *refusal* stops the run before anything was changed. A *warning* is told and stored with the run.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Literal

from acquire.bench import LoadedBench
from acquire.errors import ExitCode, FloorshotError, InstrumentFault, RefusedError
from acquire.quantities import format_quantity
from acquire.recipe import LoadedRecipe
from acquire.run.instruments import (
    OVER_VISA,
    Instruments,
    Openers,
    entries,
    leftover_errors,
    opened,
    resources,
)
from acquire.run.lock import BenchLock
from acquire.run.match import match
from acquire.run.plan import Plan, compile_plan
from acquire.run.setup import ScopeSetup, connections
from acquire.run.wiring import look
from acquire.runfile.durable import free_space
from drivers.errors import DriverError, RequestError

Kind = Literal["ok", "warning", "refusal"]

EARLIEST = datetime(2026, 1, 1, tzinfo=UTC)
"""No run is older than this program; a clock that shows less was never set."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at.

    Attributes
    ----------
    kind : ok, warning or refusal.
    subject : what was looked at, in a word or two.
    text : what was found, what was expected, what to do.
    exit_code : that a refusal ends with.
    """

    kind: Kind
    subject: str
    text: str
    exit_code: ExitCode = ExitCode.BAD_INPUT


def check(
    recipe: LoadedRecipe, bench: LoadedBench, output: Path, *, openers: Openers = OVER_VISA
) -> list[Finding]:
    """Look at everything that a run needs, contacting the bench; never raises for what it finds.

    The scope is reset and configured as the recipe asks; each wired input is looked at without a
    trigger, which is no data. No relay moves and nothing is stored.

    Parameters
    ----------
    output : the run file to be, or the folder it would go into.
    """
    try:
        plan = compile_plan(recipe, bench)
    except FloorshotError as error:
        return [Finding("refusal", "recipe", str(error))]
    found = [Finding("refusal", "recipe", str(problem)) for problem in match(recipe, bench)]
    if found:
        return found
    found = offline(recipe, bench, plan, output)
    lock = BenchLock(resources(bench))
    try:
        lock.acquire("a check")
    except RefusedError as error:
        return [*found, Finding("refusal", "bench", str(error))]
    found.append(Finding("ok", "bench", "no other run uses these instruments"))
    try:
        with opened(bench, openers) as instruments:
            setup = ScopeSetup(instruments.scope, recipe.recipe, connections(recipe.recipe, bench))
            found += contacting(plan, output, instruments, setup)
            if not any(finding.kind == "refusal" for finding in found):
                found += _inputs(setup)
    except InstrumentFault as error:
        found.append(Finding("refusal", "instruments", str(error), error.exit_code))
    finally:
        lock.release()
    return found


def require(findings: list[Finding]) -> None:
    """Raise for the first refusals, all in one message.

    Raises
    ------
    InstrumentFault, RefusedError
        As the worst of the refusals asks for.
    """
    refusals = [finding for finding in findings if finding.kind == "refusal"]
    if not refusals:
        return
    text = "\n".join(finding.text for finding in refusals)
    if any(finding.exit_code == ExitCode.FAULT for finding in refusals):
        raise InstrumentFault(text)
    raise RefusedError(text)


# -- without contact -------------------------------------------------------------------------------


def offline(
    recipe: LoadedRecipe, bench: LoadedBench, plan: Plan, output: Path, now: datetime | None = None
) -> list[Finding]:
    """Look at dates, clock, folder and space."""
    today = now or datetime.now(UTC)
    return [
        *_calibration(recipe, bench, today.date()),
        _clock(today),
        _writable(output),
        _space(output, plan.size, "at the recipe's minimum sample rate"),
    ]


def _calibration(recipe: LoadedRecipe, bench: LoadedBench, today: date) -> Iterator[Finding]:
    required = recipe.recipe.acquisition.require_valid_calibration
    dates = {f"the {role}": entry.calibration_due for role, entry in entries(bench).items()}
    for quantity in recipe.recipe.quantities:
        name = bench.bench.inputs[quantity].probe
        dates[f"the probe {name}"] = bench.probes[name].probe.calibration_due
    bad: Kind = "refusal" if required else "warning"
    asks = "; the recipe asks for valid calibrations" if required else ""
    for what, due in dates.items():
        if due is None:
            yield Finding(
                bad, "calibration", f"{what} has no calibration date in its profile{asks}"
            )
        elif due < today:
            yield Finding(bad, "calibration", f"the calibration of {what} ended on {due}{asks}")
        else:
            yield Finding("ok", "calibration", f"{what} is calibrated until {due}")


def _clock(now: datetime) -> Finding:
    if now < EARLIEST:
        return Finding(
            "refusal", "clock",
            f"this machine's clock shows {now:%Y-%m-%d %H:%M} UTC, which cannot be; set it, "
            "because every record carries its time",
        )  # fmt: skip
    return Finding("ok", "clock", f"{now:%Y-%m-%d %H:%M:%S} UTC")


def existing_folder(output: Path) -> Path:
    """Return the nearest folder above ``output`` that exists already."""
    return next(folder for folder in (output, *output.absolute().parents) if folder.is_dir())


def _writable(output: Path) -> Finding:
    folder = existing_folder(output)
    try:
        with tempfile.TemporaryFile(dir=folder):  # has no name where the system can do that, so
            pass  # that a kill just here leaves nothing behind
    except OSError as error:
        return Finding(
            "refusal", "output",
            f"{folder}: cannot be written ({error.strerror}); name another output folder",
        )  # fmt: skip
    return Finding("ok", "output", f"{folder} can be written")


def _space(output: Path, size: int, basis: str) -> Finding:
    folder = existing_folder(output)
    free = free_space(folder)
    figures = (
        f"at most about {size / 1e6:.0f} MB needed {basis} (until the run file is verified, shots "
        f"and run file exist side by side), {free / 1e6:.0f} MB free in {folder}"
    )
    if free < size:
        return Finding("refusal", "disk space", f"{figures}; make room or choose another folder")
    return Finding("ok", "disk space", figures)


# -- with contact ----------------------------------------------------------------------------------


def contacting(
    plan: Plan, output: Path, instruments: Instruments, setup: ScopeSetup
) -> list[Finding]:
    """Look at identities and error queues, and whether the scope can do what the recipe asks."""
    found = list(_identities(instruments))
    for role, left in leftover_errors(instruments).items():
        for entry in left:
            text = f"the {role} had an error in its queue from before: {entry}"
            found.append(Finding("warning", "error queue", text))
    try:
        found += _fit(setup)
        found.append(_real_space(output, plan, setup))
    except RequestError as error:
        advice = "ask for what this oscilloscope has: in the bench profile's inputs, or the recipe"
        found.append(Finding("refusal", "record", f"{error}; {advice}"))
    except (DriverError, InstrumentFault) as error:
        found.append(Finding("refusal", "record", str(error), ExitCode.FAULT))
    if instruments.switch is not None and instruments.switch.readback != "contact":
        text = (
            "the relay unit reads back what it was told, not its contacts; a relay that fails is "
            "seen only by the levels of the shots, which are compared"
        )
        found.append(Finding("ok", "relay unit", text))
    return found


def _identities(instruments: Instruments) -> Iterator[Finding]:
    for role, driver in instruments.met():
        yield Finding("ok", role, driver.identity.raw)


def _fit(setup: ScopeSetup) -> Iterator[Finding]:
    profile, asked = setup.scope.profile, setup.recipe.acquisition
    for quantity, connection in setup.bound.items():
        wired = connection.input
        largest = setup.ranges(quantity)[-1]
        if largest < profile.vertical_ranges[-1]:
            yield Finding(
                "ok", "ranges",
                f"{quantity}: at most {format_quantity(largest, 'V')} full scale at "
                f"{format_quantity(wired.input_impedance, 'ohm')}, because its input survives "
                f"{format_quantity(wired.maximum_input or 0.0, 'V')}",
            )  # fmt: skip
    setup.configure()
    assert setup.acquisition is not None
    state = setup.acquisition
    yield Finding(
        "ok", "record",
        f"{state.record_length} samples at {format_quantity(state.sample_rate, 'Sa/s')}, "
        f"{format_quantity(state.time_per_record, 's')}",
    )  # fmt: skip
    bandwidth = min(
        [profile.bandwidth]
        + [s.bandwidth_limit for s in setup.channels.values() if s.bandwidth_limit is not None]
    )
    needed = asked.minimum_bandwidth
    if needed is not None and bandwidth < needed * (1 - 1e-6):
        yield Finding(
            "refusal", "bandwidth",
            f"{profile.name} has {format_quantity(bandwidth, 'Hz')} as it is set; the recipe asks "
            f"for at least {format_quantity(needed, 'Hz')}",
        )  # fmt: skip
    else:
        yield Finding("ok", "bandwidth", format_quantity(bandwidth, "Hz"))


def _inputs(setup: ScopeSetup) -> Iterator[Finding]:
    try:
        for seen in look(setup):
            kind: Kind = "warning" if seen.suspect else "ok"
            yield Finding(kind, f"input {seen.channel}", str(seen))
    except RequestError as error:
        yield Finding("warning", "inputs", f"{error}; level and noise were not looked at")
    except (DriverError, InstrumentFault) as error:
        yield Finding("refusal", "inputs", str(error), ExitCode.FAULT)


def _real_space(output: Path, plan: Plan, setup: ScopeSetup) -> Finding:
    assert setup.acquisition is not None
    width = 2 if setup.scope.profile.code_bits > 8 else 1
    needed = plan.disk_space(setup.acquisition.record_length, width)
    return _space(output, needed, "as the scope is set")
