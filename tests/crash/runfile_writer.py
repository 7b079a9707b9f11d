"""Run by test_runfile_kill.py: writes runs until it is killed, and says what it has committed.

For each line ``FOLDER SEED`` on standard input a process is forked (the imports are paid once). It
answers ``pid N``, ``shot NAME`` after each commit, ``consolidating`` and ``file PATH``, then ends.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt

from acquire.errors import FloorshotError
from acquire.runfile import (
    ChannelRecord,
    Event,
    InstrumentRecord,
    RunHeader,
    ShotHeader,
    ShotQuality,
)
from acquire.runfile.spool import Spool

AT = datetime(2025, 3, 4, 9, 15, tzinfo=UTC)
SAMPLES = 20_000
PLAN = json.dumps({"steps": []})


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
    os.write(1, text.encode() + b"\n")


def write(folder: Path, seed: int) -> None:
    """Take shots, go on where an earlier process was killed, and consolidate."""
    if (folder / "run.h5").exists() and not (folder / "spool" / "header.json").exists():
        with contextlib.suppress(FloorshotError):
            Spool.open(folder / "spool")  # finishes the tidying, if any is left, and refuses
        say(f"file {folder / 'run.h5'}")
        return
    if (folder / "spool" / "header.json").exists():
        spool = Spool.open(folder / "spool")
    else:
        header = RunHeader(
            f"run-{seed}", "bay 3", "r", "text", "", "b", "text", "", {}, PLAN, "", "x", AT
        )
        spool = Spool.create(folder / "spool", header)
        spool.set_instruments([InstrumentRecord("scope", "x", "y", None)])
    if spool.found.consolidated is None:
        take(spool, seed)
    say("consolidating")
    path = folder / "run.h5"
    say(f"file {spool.consolidate(path, document_json=None, state='complete', ended=AT)}")


def take(spool: Spool, seed: int) -> None:
    channel = ChannelRecord("lead_current", 1, "V", 1.0, 0.0, "DC", 50.0, "p", 8, 0.0, 0.0)
    there = {entry.name for entry in spool.shots()}
    for order in range(random.Random(seed).randrange(3, 12)):
        name = f"{order:02d}_floor_x"
        if name in there:
            continue
        header = ShotHeader(name, order, order, "floor", "x", 3, SAMPLES, AT, 1, (channel,))
        with spool.begin_shot(header) as writer:
            spool.events.append(Event("shot_started", AT, {"shot": name}))
            for repeat in range(3):
                writer.append("lead_current", repeat, Trace(codes(seed, order, repeat)), 0.0)
            writer.commit(ShotQuality())
        say(f"shot {name}")


def codes(seed: int, order: int, repeat: int) -> npt.NDArray[np.int8]:
    generator = np.random.default_rng([seed, order, repeat])
    return generator.integers(-128, 128, SAMPLES, np.int8)


def main() -> None:
    say("ready")
    for line in sys.stdin:
        folder, seed = line.split()
        if (child := os.fork()) == 0:
            say(f"pid {os.getpid()}")
            write(Path(folder), int(seed))
            os._exit(0)
        os.waitpid(child, 0)
        say("ended")


if __name__ == "__main__":
    main()
