"""What a run was measured with, from its run file: instruments, probes, records."""

from __future__ import annotations

from collections.abc import Iterator
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
        yield record.role, f"{record.idn}; {_calibration(record.calibration_due)}"


def _calibration(due: object) -> str:
    return f"calibration due {due}" if due else "no calibration date given"


def _inputs(run: RunFile) -> Iterator[Row]:
    from acquire.bench.probes import parse_probe

    texts = run.header.probe_texts
    measured = {c.quantity: c for shot in run.shots() for c in shot.header.channels}
    for quantity, channel in measured.items():
        told = [_wiring(channel)]
        if channel.probe in texts:
            name = channel.probe
            probe = parse_probe(texts[name], name, table_text=texts.get(f"{name}.csv")).probe
            told += _probe(probe)
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
    yield _calibration(probe.calibration_due)


def _records(run: RunFile) -> Iterator[Row]:
    sizes = {(s.repeats, s.header.record_length, s.interval) for s in run.shots()}
    for repeats, length, interval in sorted(sizes):
        rate = format_quantity(1 / interval, "Sa/s")
        span = format_quantity(length * interval, "s")
        yield "records", f"{repeats} a shot, {length} samples at {rate} ({span})"
