"""kill -9 at random moments of a run: no committed shot is lost, and no half file has a name.

More by ``FLOORSHOT_KILLS=1000 pytest --timeout=0 tests/crash/test_runfile_kill.py``.
"""

import contextlib
import importlib.util
import os
import random
import signal
import subprocess
import sys
import threading
from collections import Counter
from pathlib import Path

import pytest

from acquire.analysis.inputs import Transducer
from acquire.errors import DamagedFileError
from acquire.runfile import RunFile, Spool, verify

ROOT = Path(__file__).parents[2]
SCRIPT = Path(__file__).with_name("runfile_writer.py")
KILLS = int(os.environ.get("FLOORSHOT_KILLS", "40"))
LATEST = 0.12
"""Seconds by which a writer is killed; on an idle machine a whole run takes about as long."""
PROBE = {"lead_current": Transducer("p", "V", 1.0, (0.0, 1e9), 0.0)}


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("runfile_writer", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses looks there
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def mother():
    """The process that forks writers; nothing but its own children is ever killed."""
    with subprocess.Popen(
        [sys.executable, SCRIPT], stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)}, text=True, bufsize=1,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        yield process
        process.kill()


def _run(mother, folder, seed, delay):
    """Start a writer, kill it after ``delay`` (None = never), and return what it said."""
    said = []
    mother.stdin.write(f"{folder} {seed}\n")
    pid = int(mother.stdout.readline().split()[1])
    timer = None
    if delay is not None:
        # The mother waits for its child before it says "ended", but the number could be free by the
        # time that the timer fires; it is cancelled first, and a number is not reused that soon.
        timer = threading.Timer(delay, _kill, (pid,))
        timer.start()
    while (line := mother.stdout.readline().strip()) != "ended":
        assert line, "the mother process died"
        said.append(line)
    if timer is not None:
        timer.cancel()
        timer.join()
    return said


def _kill(pid):
    with contextlib.suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)


def _check(folder, seed, committed, script):
    """Everything that was announced is there, to the code, wherever the run has got to."""
    if (folder / "run.h5").exists():
        assert verify(folder / "run.h5") == []
        with RunFile.open(folder / "run.h5", trusted=True) as run:
            captures = run.captures(PROBE)
        where = "run file"
    else:
        try:
            with Spool.open(folder / "spool", writable=False) as spool:
                captures = spool.captures(PROBE)
        except DamagedFileError:
            assert not committed  # killed before the header was there
            return "nothing yet"
        assert verify(folder / "spool") == []
        where = "spool"
    found = {c.shot: c for c in captures}
    assert set(committed) <= set(found)
    for order, capture in enumerate(found.values()):
        for repeat in range(3):
            assert (capture.codes[repeat] == script.codes(seed, order, repeat)).all()
    return where


@pytest.mark.crash
def test_no_kill_loses_a_committed_shot(mother, tmp_path, script):
    generator = random.Random(20250304)
    outcomes: Counter[str] = Counter()
    announced = kills = seed = 0
    while kills < KILLS:
        seed += 1
        folder = tmp_path / str(seed)
        folder.mkdir()
        committed: list[str] = []
        for attempt in range(50):
            last_chance = attempt == 49 or kills >= KILLS
            delay = None if last_chance else generator.uniform(0.0, LATEST * (1 + attempt))
            said = _run(mother, folder, seed, delay)
            committed += [line.split()[1] for line in said if line.startswith("shot ")]
            if said and said[-1].startswith("file "):
                outcomes["finished"] += 1
                break
            kills += 1
            during = "consolidating" if "consolidating" in said else "taking shots"
            outcomes[f"{during}: {_check(folder, seed, committed, script)}"] += 1
        announced += len(committed)
        assert len(committed) == len(set(committed))  # nothing durable was ever taken again
        assert _check(folder, seed, committed, script) == "run file"
        assert {p.name for p in folder.rglob("*")} <= {"run.h5", "spool", "lock"}

    assert kills >= KILLS
    sys.stdout.write(f"{kills} kills, {announced} shots announced, 0 lost: {dict(outcomes)}\n")
