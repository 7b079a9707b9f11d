"""How fast shots become durable, how fast a run file is consolidated, and how much memory it takes.

    python tests/benchmarks/runfile_speed.py [--quick]

Prints a table; the figures in acquire/runfile/README.md come from it. Ratios are to the same bytes
written by plain ``write`` and ``fsync``, in alternation, median of all rounds.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from acquire.runfile import ChannelRecord, RunFile, RunHeader, ShotHeader, ShotQuality, verify
from acquire.runfile.spool import Spool

AT = datetime(2025, 3, 4, tzinfo=UTC)
CHANNEL = ChannelRecord("lead_current", 1, "V", 1.0, 0.0, "DC", 50.0, "p", 8, 0.0, 0.0)
HEADER = RunHeader("r", "s", "r", "", "", "b", "", "", {}, "{}", "", "x", AT)
BLOCK = 1 << 20
DEEP_BOUND_MB = 32
"""Memory that writing and consolidating may take above a writer of 1 MB; the end is 1 otherwise."""


@dataclass(frozen=True)
class Trace:
    codes: npt.NDArray[np.int8]
    gain: float = 0.01
    offset: float = 0.0
    start: float = 0.0
    step: float = 1e-9
    bits: int = 8
    preamble: str = ""


def say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def seconds(action: Callable[[], object]) -> float:
    start = time.perf_counter()
    action()
    return time.perf_counter() - start


def shot_header(order: int, repeats: int, samples: int) -> ShotHeader:
    name = f"{order:03d}_floor_x"
    return ShotHeader(name, order, 0, "floor", "x", repeats, samples, AT, 1, (CHANNEL,))


def commit(spool: Spool, order: int, traces: list[npt.NDArray[np.int8]]) -> None:
    with spool.begin_shot(shot_header(order, len(traces), len(traces[0]))) as writer:
        for repeat, codes in enumerate(traces):
            writer.append("lead_current", repeat, Trace(codes), 0.0)
        writer.commit(ShotQuality())


def raw(path: Path, traces: list[npt.NDArray[np.int8]]) -> None:
    fd = os.open(path, os.O_WRONLY | os.O_CREAT, 0o644)
    for codes in traces:
        os.write(fd, codes.data)
    os.fsync(fd)
    os.close(fd)


def commits(folder: Path, rounds: int) -> None:
    say(f"{'shot':24} {'raw + fsync':>12} {'commit':>12} {'ratio':>7}")
    for repeats, samples in ((1, 1_000_000), (30, 100_000), (30, 1_000_000), (10_000, 1_000)):
        generator = np.random.default_rng(1)
        traces = [generator.integers(-100, 100, samples, np.int8) for _ in range(repeats)]
        plain, ours = [], []
        with Spool.create(folder / f"c{repeats}_{samples}", HEADER) as spool:
            for number in range(rounds):
                path = folder / f"raw{repeats}_{samples}_{number}"
                plain.append(seconds(partial(raw, path, traces)))
                ours.append(seconds(partial(commit, spool, number, traces)))
                path.unlink()
        a, b = statistics.median(plain), statistics.median(ours)
        label = f"{repeats} x {samples:,}"
        say(f"{label:24} {a * 1e3:9.1f} ms {b * 1e3:9.1f} ms {b / a:7.1f}")


def whole_run(folder: Path, shots: int) -> None:
    generator = np.random.default_rng(1)
    traces = [generator.integers(-100, 100, 1_000_000, np.int8) for _ in range(10)]
    spool = Spool.create(folder / "run", HEADER)
    for order in range(shots):
        commit(spool, order, traces)
    path, size = folder / "run.h5", shots * 10
    arguments = {"document_json": None, "state": "complete", "ended": AT}
    took = seconds(lambda: spool.consolidate(path, **arguments))  # type: ignore[arg-type]  # spelt out above
    say(f"consolidate {size} MB (copy, seal, sync, prove): {took:.2f} s, {size / took:.0f} MB/s")
    took = seconds(lambda: verify(path))
    say(f"verify      {size} MB: {took:.2f} s, {size / took:.0f} MB/s")
    took = seconds(lambda: RunFile.open(path).close())
    say(f"open        {shots} shots, vetted apart: {took * 1e3:.0f} ms")
    took = seconds(lambda: RunFile.open(path, trusted=True).close())
    say(f"open        {shots} shots, trusted: {took * 1e3:.0f} ms")

    def read() -> None:
        with RunFile.open(path, trusted=True) as run:
            for entry in run.shots():
                run.trace_block(entry.name, "lead_current")

    took = seconds(read)
    say(f"read codes  {size} MB, each block checked: {took:.2f} s, {size / took:.0f} MB/s")


def deep(folder: Path, samples: int) -> None:
    """Stream deep records through spool and consolidation; run in a process of its own."""
    block = np.random.default_rng(1).integers(-100, 100, BLOCK, np.int8)
    with Spool.create(folder / "warm", HEADER) as spool:
        commit(spool, 0, [block])
        spool.consolidate(folder / "warm.h5", document_json=None, state="complete", ended=AT)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    spool = Spool.create(folder / "deep", HEADER)
    with spool.begin_shot(shot_header(0, 2, samples)) as writer:
        for repeat in range(2):
            stream = writer.begin_trace(
                "lead_current", repeat, samples=samples, dtype="int8", gain=1.0, offset=0.0,
                start=0.0, step=1e-9, bits=8, preamble="", trigger_time=0.0,
            )  # fmt: skip
            for start in range(0, samples, BLOCK):
                stream.append_block(block[: min(BLOCK, samples - start)])
            stream.end()
        writer.commit(ShotQuality())
    spool.consolidate(folder / "deep.h5", document_json=None, state="complete", ended=AT)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    say(f"deep        2 x {samples:,} samples: {(peak - before) / 1024:.0f} MB above "
          f"{before / 1024:.0f} MB (bound: {DEEP_BOUND_MB} MB, whatever the length)")  # fmt: skip
    if (peak - before) / 1024 > DEEP_BOUND_MB:
        sys.exit("memory grew beyond its bound")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a tenth of everything")
    parser.add_argument("--deep", type=int, help=argparse.SUPPRESS)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if options.deep:
            deep(folder, options.deep)
            return
        commits(folder, 3 if options.quick else 15)
        whole_run(folder, 4 if options.quick else 40)
    samples = 10_000_000 if options.quick else 100_000_000
    subprocess.run([sys.executable, __file__, "--deep", str(samples)], check=True)


if __name__ == "__main__":
    main()
