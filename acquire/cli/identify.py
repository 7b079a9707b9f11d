"""``floorshot identify``: what is at an address, and how it would be driven."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.cli import console
from acquire.cli.options import quantity_option
from acquire.errors import BadInputError, ExitCode, InstrumentFault

if TYPE_CHECKING:
    from drivers.profile import ScopeProfile
    from drivers.survey import Survey

GUIDE = "drivers/BRING_YOUR_SCOPE.md"
"""The page that takes an unknown oscilloscope to a tested dialect."""


@click.command(
    short_help="Say what is at an address, and how it would be driven.",
    epilog="Exit codes: 0 it is known; 2 it is not known or has no profile, or bad input; 4 "
    "nothing answers there.",
)
@click.argument("resource", metavar="RESOURCE")
@click.option(
    "--profiles",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Folder of your bench profile; the oscilloscope profiles in its 'scopes' go first.",
)
@click.option("--profile", metavar="NAME", help="Oscilloscope profile to take in any case.")
@quantity_option("--timeout", "s", default="5 s", help="How long to wait for an answer.")
def command(resource: str, profiles: Path | None, profile: str | None, timeout: float) -> int:
    """Ask the instrument at VISA address RESOURCE what it is, and show how it would be driven.

    Its identity; which command dialect was chosen, and by which pattern; which profile, and what
    that says it can do; whether its error queue is clean. The queue is empty after it was read,
    and headers in answers are switched off; no other setting is changed and no relay moves.

    \b
    Examples:
      floorshot identify TCPIP::192.0.2.7::5025::SOCKET
      floorshot identify TCPIP::192.0.2.7::hislip0::INSTR
      floorshot identify USB0::0x1234::0x5678::SN1::INSTR --profiles my_bench_folder
    """
    from acquire.bench.scope_profile import scope_profiles_for
    from drivers.errors import DriverError, RequestError
    from drivers.link import LinkPolicy
    from drivers.survey import survey

    _require_address(resource)
    policy = LinkPolicy(timeout=timeout, open_timeout=timeout)
    known = scope_profiles_for(profiles)
    try:
        found = survey(resource, known, profile=profile, policy=policy)
    except RequestError as error:
        raise BadInputError(str(error)) from error
    except DriverError as error:
        told = str(error)  # some say what to check themselves
        advice = "" if "check" in told else ". Check its address, cable and power"
        raise InstrumentFault(f"{told}{advice}") from error
    _show([("at", resource), *_rows(found)])
    advice = _advice(found)
    if advice:
        console.complain(advice)
    return int(ExitCode.BAD_INPUT if advice else ExitCode.OK)


def _require_address(resource: str) -> None:
    if "::" not in resource:
        raise BadInputError(
            f"'{resource}' is no VISA address; an instrument in the network has one like "
            "TCPIP::192.0.2.7::INSTR, TCPIP::192.0.2.7::hislip0::INSTR or, with the port of its "
            "raw socket, TCPIP::192.0.2.7::5025::SOCKET; a USB one USB0::0x1234::0x5678::SN1::INSTR"
        )


def _show(rows: list[tuple[str, str]]) -> None:
    from rich.table import Table

    table = Table.grid(padding=(0, 2, 0, 0))
    for name, text in rows:
        table.add_row(name, text)
    console.show(table)


def _rows(found: Survey) -> Iterator[tuple[str, str]]:
    who = found.identity
    yield "answers", who.raw
    yield "maker", who.maker
    yield "model", who.model
    yield "serial", who.serial or "(none told)"
    yield "firmware", who.firmware or "(none told)"
    yield "kind", found.kind
    if found.maker_pattern:
        yield "because", f"maker fits '{found.maker_pattern}', model fits '{found.model_pattern}'"
    if found.dialect:
        yield "dialect", found.dialect
    if found.profile is not None:
        yield from _profile_rows(found.profile)
    if found.kind == "relay unit":
        convention, worth = found.readback
        yield "readback", f"{convention}; it tells its {worth}"
    yield "error queue", _queue(found)


def _profile_rows(profile: ScopeProfile) -> Iterator[tuple[str, str]]:
    from acquire.quantities import format_quantity as show

    ranges, impedances = profile.vertical_ranges, profile.input_impedances
    lengths = "any length" if not profile.record_lengths else f"{len(profile.record_lengths)} sizes"
    segments = profile.maximum_segments
    yield "profile", f"{profile.name} (maker '{profile.maker}', model '{profile.model}')"
    yield "inputs", f"{profile.channels}, {' or '.join(show(z, 'ohm') for z in impedances)}"
    yield (
        "ranges",
        f"{len(ranges)}, {show(ranges[0], 'V')} to {show(ranges[-1], 'V')} full scale, "
        f"gain within {show(profile.gain_accuracy, '%')}",
    )
    yield "bandwidth", show(profile.bandwidth, "Hz")
    yield "sample rate", f"up to {show(profile.maximum_sample_rate, 'Sa/s')}"
    yield "memory", f"up to {profile.maximum_record_length} samples an input, {lengths}"
    yield "codes", f"{profile.bits} bit converter, read in {profile.code_bits} bit"
    yield "segments", f"up to {segments} in one arming" if segments > 1 else "none: one by one"
    if profile.quirks:
        yield "quirks", ", ".join(sorted(profile.quirks))


def _queue(found: Survey) -> str:
    if found.errors is None:
        return "not asked: how to ask depends on the dialect's profile"
    if not found.errors:
        return "clean"
    return f"held {len(found.errors)}: " + "; ".join(str(entry) for entry in found.errors)


def _advice(found: Survey) -> str:
    """Return what to do where it cannot be driven as it is; empty where it can."""
    if found.kind == "unknown":
        return (
            f"no pattern fits '{found.identity.maker}' with '{found.identity.model}'. If it is an "
            f"oscilloscope, {GUIDE} leads from here to a tested dialect. A relay unit or an "
            "ohmmeter needs none where it speaks ROUTe:CLOSe (@...) or MEASure:FRESistance?: name "
            "it in the bench profile, then try floorshot check."
        )
    if found.kind == "oscilloscope" and found.profile is None:
        return (
            f"its dialect is known ({found.dialect}), but no profile says what this model can do: "
            f"write one (profiles/README.md; {GUIDE}), or try a like model's with --profile."
        )
    return ""
