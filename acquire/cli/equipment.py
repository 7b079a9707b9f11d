"""What a run was measured with, from its run file: instruments, probes, records."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import TYPE_CHECKING

from acquire.quantities import format_quantity

if TYPE_CHECKING:
    from acquire.bench.schema import Probe
    from acquire.runfile import RunFile
    from acquire.runfile.records import ChannelRecord

Row = tuple[str, str]
"""A name and what stands beside it."""


def equipment_of(run: RunFile) -> list[Row]:
    """Return instruments as they answered, probes as they were profiled, and the records' size.

    Raises
    ------
    DamagedFileError
        Where the part of the run file that says so is damaged.
    """
    return [*_instruments(run), *_inputs(run), *_records(run)]


def _instruments(run: RunFile) -> Iterator[Row]:
    for record in run.instruments:
        yield record.role, f"{record.idn}; {calibration(record.calibration_due, _day(run))}"


def _day(run: RunFile) -> date:
    return run.header.started.date()


def calibration(due: date | str | None, day: date) -> str:
    """Say until when something is calibrated, and whether that was over on the day of the run."""
    if due is None:
        return "no calibration date given"
    last = date.fromisoformat(due) if isinstance(due, str) else due
    return f"calibration due {last}" if day <= last else f"CALIBRATION ENDED {last}, before the run"


def _inputs(run: RunFile) -> Iterator[Row]:
    from acquire.bench.probes import parse_probe

    texts = run.header.probe_texts
    measured = {c.quantity: c for shot in run.shots() for c in shot.header.channels}
    for quantity, channel in measured.items():
        told = [_wiring(channel)]
        if channel.probe in texts:
            name = channel.probe
            probe = parse_probe(texts[name], name, table_text=texts.get(f"{name}.csv")).probe
            told += [*_probe(probe), calibration(probe.calibration_due, _day(run))]
        yield quantity, "; ".join(told)


def _wiring(channel: ChannelRecord) -> str:
    impedance = format_quantity(channel.input_impedance, "ohm")
    return f"input {channel.channel}, {impedance}, {channel.coupling}; {channel.probe}"


def _probe(probe: Probe) -> Iterator[str]:
    serial = f", serial {probe.serial}" if probe.serial else ""
    yield f"{probe.name}{serial}"
    if probe.transfer_impedance is not None:
        yield f"transfer impedance {format_quantity(probe.transfer_impedance, 'ohm')}"
    if probe.attenuation is not None:
        yield f"attenuation {probe.attenuation:g} : 1"
    if probe.table is not None:
        yield f"transfer over frequency from {probe.table}"
    uncertainty = format_quantity(probe.uncertainty, "%")
    yield f"uncertainty {uncertainty} (k = {probe.coverage_factor:g})"


def _records(run: RunFile) -> Iterator[Row]:
    sizes = {(s.repeats, s.header.record_length, s.interval) for s in run.shots()}
    for repeats, length, interval in sorted(sizes):
        rate = format_quantity(1 / interval, "Sa/s")
        span = format_quantity(length * interval, "s")
        yield "records", f"{repeats} a shot, {length} samples at {rate} ({span})"
