"""kill -9 of the daemon and its children at random moments: every queued run is done exactly once.

The short form kills 6 times; ``FLOORSHOT_KILLS=30`` (or more) is the long one.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import time
from pathlib import Path

import pytest

from acquire.daemon.queue import Submission
from acquire.runfile import verify

KILLS = int(os.environ.get("FLOORSHOT_KILLS", "6"))
RUNS = max(2, KILLS // 6)


@pytest.mark.crash
@pytest.mark.timeout(60 + 20 * KILLS)
def test_everything_queued_completes_exactly_once_through_kills(
    folder, bench, serving, queue, recipe_text
):
    (folder.root / "daemon.yaml").write_text("attempts: 100\n")
    numbers = [
        queue.submit(Submission("short.yaml", recipe_text, "tunnel")).id for _ in range(RUNS)
    ]
    moments = random.Random(20261125)
    for _ in range(KILLS):
        daemon = serving("--no-http")
        end = time.monotonic() + moments.uniform(2.0, 8.0)
        while time.monotonic() < end and queue.runs(["queued", "running"]):
            time.sleep(0.05)
        active = queue.runs(["running"])
        daemon.kill()
        daemon.wait(10)
        for run in active:
            if run.worker_pid and moments.random() < 0.7:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(run.worker_pid, signal.SIGKILL)
    serving("--no-http")
    end = time.monotonic() + 60 + 10 * RUNS
    while queue.runs(["queued", "running"]) and time.monotonic() < end:
        time.sleep(0.1)

    finished = [queue.run(number) for number in numbers]
    assert [run.state for run in finished] == ["finished"] * RUNS
    assert [run.exit_code for run in finished] == [0] * RUNS
    for run in finished:
        names = [event.name for event in queue.events(run=run.id, limit=100_000)]
        assert names.count("run_finished") == 1
        assert not verify(Path(run.path))
    assert len(list(folder.runs.glob("*.h5"))) == RUNS
    assert not list(folder.runs.glob("*.spool"))
