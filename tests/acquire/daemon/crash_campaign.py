"""Kill a daemon and its workers at random moments, go on, and count what became of the runs.

    python tests/acquire/daemon/crash_campaign.py [--kills 60] [--runs 24] [--seed 1]

The real daemon, as a process, with two simulated benches side by side. While it is killed and
started again, runs are submitted in three ways: by the command (which needs no daemon), by bare
HTTP and by the Python client (both with a key, and again until an answer came). Prints the tables
that acquire/daemon/README.md shows. When the last kill is over and the queue has run empty:

* every submission that was answered is one run, and there are no others;
* every run is finished with exit code 0, and told ``run_finished`` exactly once;
* its run file verifies, and holds each shot that was ever announced as stored;
* nothing else lies in the folder of runs, and SQLite finds its file whole.

A departure from any of this is an AssertionError, so a table that is printed shows no loss.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import json
import os
import random
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
sys.path.insert(0, str(ROOT))

from acquire.cli import simulated_profile  # noqa: E402 - after the path
from acquire.daemon.client import Client  # noqa: E402 - after the path
from acquire.daemon.folder import StateFolder  # noqa: E402 - after the path
from acquire.daemon.queue import Queue, Run  # noqa: E402 - after the path
from acquire.errors import RefusedError  # noqa: E402 - after the path
from acquire.runfile import RunFile, verify  # noqa: E402 - after the path
from simulated_instruments.bench import SimulatedBench  # noqa: E402 - after the path

BENCHES = ("tunnel", "annex")
VICTIMS = {"the daemon": 3, "the daemon and its workers": 4, "a worker": 3}
"""Who is killed, and how often in ten."""

PATIENCE = 120.0
"""Without any change of the queue. [s]"""

ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}


@dataclass
class Tally:
    """What was done to whom, and what was answered: channel -> numbers of runs."""

    kills: Counter[str] = field(default_factory=Counter)
    hit: Counter[str] = field(default_factory=Counter)
    answered: dict[str, list[int]] = field(default_factory=dict)
    resumed: int = 0
    taken_up: int = 0


# -- three ways to submit --------------------------------------------------------------------------
def by_command(folder: StateFolder, recipe: Path, bench: str, _key: str) -> int:
    """``floorshot submit``, with or without a daemon."""
    command = [sys.executable, "-m", "acquire", "submit", recipe, "--bench", bench,
               "--state", folder.root]  # fmt: skip
    done = subprocess.run(
        command, env=ENVIRONMENT, capture_output=True, text=True, timeout=PATIENCE
    )
    assert done.returncode == 0, done.stderr
    return int(done.stdout.split()[1])


def by_http(folder: StateFolder, recipe: Path, bench: str, key: str) -> int:
    """One POST on the Unix socket, by the standard library alone."""
    body = json.dumps({"bench": bench, "recipe_text": recipe.read_text(), "key": key})
    connection = http.client.HTTPConnection("localhost", timeout=20)
    with contextlib.closing(connection), socket.socket(socket.AF_UNIX) as door:
        door.settimeout(20)
        door.connect(str(folder.socket))
        connection.sock = door
        connection.request("POST", "/api/v1/runs", body, {"Content-Type": "application/json"})
        answer = connection.getresponse()
        told = answer.read()
        assert answer.status in (200, 201), told
    return int(json.loads(told)["run"]["id"])


def by_client(folder: StateFolder, recipe: Path, bench: str, key: str) -> int:
    """``Client.submit``."""
    with Client.of_state(folder.root) as client:
        return int(client.submit(bench, recipe_text=recipe.read_text(), key=key)["id"])


CHANNELS: dict[str, Callable[[StateFolder, Path, str, str], int]] = {
    "`floorshot submit`": by_command,
    "HTTP": by_http,
    "the Python client": by_client,
}


@dataclass
class Submitter:
    """Submits its share in one way, evenly over the kills; sends again what was not answered."""

    folder: StateFolder
    recipe: Path
    channel: str
    count: int
    kills: int
    tally: Tally

    def __call__(self) -> None:
        """Submit everything."""
        numbers = self.tally.answered.setdefault(self.channel, [])
        for index in range(self.count):
            while sum(self.tally.kills.values()) < index * self.kills // self.count:
                time.sleep(0.05)
            numbers.append(self._until_answered(BENCHES[index % 2], f"{self.channel} {index}"))

    def _until_answered(self, bench: str, key: str) -> int:
        end = time.monotonic() + PATIENCE
        while True:
            try:
                return CHANNELS[self.channel](self.folder, self.recipe, bench, key)
            except (OSError, http.client.HTTPException, RefusedError):
                assert time.monotonic() < end, f"{self.channel}: no answer for {PATIENCE:g} s"
                time.sleep(0.1)


# -- killing ---------------------------------------------------------------------------------------
def serve(folder: StateFolder) -> subprocess.Popen[bytes]:
    """Start the daemon."""
    command = [sys.executable, "-m", "acquire", "serve", "--state", folder.root]
    return subprocess.Popen(
        command, env=ENVIRONMENT, stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip


def is_worker(pid: int | None, folder: StateFolder) -> bool:
    """Return whether a process is a worker of this folder, and not another that got its number."""
    try:
        words = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
    except OSError:
        return False
    return b"acquire.daemon.worker" in words and str(folder.root).encode() in words


def kill_workers(folder: StateFolder, runs: list[Run]) -> int:
    """Kill the workers of these runs; return how many were alive."""
    killed = 0
    for run in runs:
        if run.worker_pid and is_worker(run.worker_pid, folder):
            with contextlib.suppress(ProcessLookupError):
                os.kill(run.worker_pid, signal.SIGKILL)
                killed += 1
    return killed


def end(process: subprocess.Popen[bytes], number: signal.Signals) -> None:
    """End the daemon and wait for it."""
    process.send_signal(number)
    process.wait(PATIENCE)


def measured_now(folder: StateFolder, queue: Queue) -> list[Run]:
    """Return the runs that a live worker carries out."""
    return [run for run in queue.runs(["running"]) if is_worker(run.worker_pid, folder)]


def strike(
    folder: StateFolder, queue: Queue, daemon: subprocess.Popen[bytes], tally: Tally,
    moments: random.Random,
) -> None:  # fmt: skip
    """Kill somebody at a random moment; the daemon is dead afterwards where it was among them."""
    whom = moments.choices([*VICTIMS], [*VICTIMS.values()])[0]
    if moments.random() < 0.8:  # the others strike a daemon that starts, or has nothing to do
        end_of_wait = time.monotonic() + 20.0
        while not measured_now(folder, queue) and time.monotonic() < end_of_wait:
            time.sleep(0.02)
    time.sleep(moments.uniform(0.0, 2.5))
    active = measured_now(folder, queue)
    if whom == "a worker":
        struck = kill_workers(folder, moments.sample(active, min(1, len(active))))
    else:
        end(daemon, signal.SIGKILL)
        struck = kill_workers(folder, active) if "workers" in whom else len(active)
    if struck or whom != "a worker":
        tally.kills[whom] += 1
        tally.hit[whom] += struck


def campaign(folder: StateFolder, recipe: Path, kills: int, runs: int, seed: int) -> Tally:
    """Submit and kill, wait until the queue is empty, and look at everything."""
    tally, moments = Tally(), random.Random(seed)
    shares = {channel: runs // 3 + (index < runs % 3) for index, channel in enumerate(CHANNELS)}
    submitters = [
        threading.Thread(target=Submitter(folder, recipe, channel, count, kills, tally))
        for channel, count in shares.items()
    ]
    queue = folder.queue()
    daemon = serve(folder)
    try:
        for one in submitters:
            one.start()
        while sum(tally.kills.values()) < kills:
            if daemon.poll() is not None:
                daemon = serve(folder)
            strike(folder, queue, daemon, tally, moments)
        if daemon.poll() is not None:
            daemon = serve(folder)
        for one in submitters:
            one.join()
        wait_until_empty(queue)
        end(daemon, signal.SIGTERM)
        check(folder, queue, tally, shares)
    finally:
        if daemon.poll() is None:
            end(daemon, signal.SIGKILL)
        kill_workers(folder, list(queue.runs(["running"])))
        queue.close()
    return tally


def wait_until_empty(queue: Queue) -> None:
    """Wait until no run waits or runs."""
    last, since = -1, time.monotonic()
    while queue.runs(["queued", "running"], limit=1):
        if (now := queue.last_event()) != last:
            last, since = now, time.monotonic()
        assert time.monotonic() - since < PATIENCE, "nothing happens any more"
        time.sleep(0.1)


# -- what has to hold ------------------------------------------------------------------------------
def check(folder: StateFolder, queue: Queue, tally: Tally, shares: dict[str, int]) -> None:
    """Look at every run; see the module."""
    assert {channel: len(numbers) for channel, numbers in tally.answered.items()} == shares
    answered = sorted(number for numbers in tally.answered.values() for number in numbers)
    every: tuple[Run, ...] = queue.runs(["queued", "running", "parked", "finished", "cancelled"])
    assert sorted(run.id for run in every) == answered, "an answered submission is not one run"
    for run in every:
        assert (run.state, run.exit_code) == ("finished", 0), (run.id, run.state, run.reason)
        events = queue.events(run=run.id, limit=1_000_000)
        names = Counter(event.name for event in events)
        assert names["run_finished"] == 1, f"run {run.id} finished {names['run_finished']} times"
        tally.taken_up += names["run_requeued"]
        tally.resumed += names["run_resumed"]
        path = Path(run.path or "")
        assert not verify(path)
        with RunFile.open(path) as file:
            stored = {shot.name for shot in file.shots()}
        announced = {event.data["shot"] for event in events if event.name == "shot_stored"}
        assert announced <= stored, f"run {run.id}: {announced - stored} are gone"
    files = {path.name for path in folder.runs.iterdir()}
    assert files == {Path(run.path or "").name for run in every}, files
    assert queue.db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


# -- by hand ---------------------------------------------------------------------------------------
@contextlib.contextmanager
def laboratory(root: Path) -> Iterator[StateFolder]:
    """Return a state folder with two benches of their own instruments."""
    folder = StateFolder(root / "state")
    folder.prepare()
    with contextlib.ExitStack() as stack:
        for seed, name in enumerate(BENCHES, 1):
            bench = stack.enter_context(SimulatedBench(seed=seed))
            text = simulated_profile.text(bench.resources, "relay")
            (folder.benches / f"{name}.yaml").write_text(text, "utf-8")
        (folder.root / "daemon.yaml").write_text(
            "attempts: 100\nhttp: {requests_per_minute: 1000000}\n"
        )
        yield folder


def tables(tally: Tally) -> list[str]:
    """Return what was counted as two tables."""
    lines = ["| killed | kills | runs that were being measured |", "|---|---|---|"]
    lines += [f"| {whom} | {tally.kills[whom]} | {tally.hit[whom]} |" for whom in VICTIMS]
    lines += ["", "| submitted by | runs | finished exactly once | finished twice | lost |",
              "|---|---|---|---|---|"]  # fmt: skip
    for channel, numbers in tally.answered.items():
        lines.append(f"| {channel} | {len(numbers)} | {len(numbers)} | 0 | 0 |")
    lines += ["", f"{tally.taken_up} times a dead worker's run was taken up again, {tally.resumed}"
              " of them from shots that were stored."]  # fmt: skip
    return lines


def main() -> None:
    """Run the campaign and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=60)
    parser.add_argument("--runs", type=int, default=24)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    sys.path.insert(0, str(Path(__file__).parent))
    from conftest import RECIPE

    started = time.monotonic()
    with tempfile.TemporaryDirectory() as here, laboratory(Path(here)) as folder:
        recipe = Path(here) / "short.yaml"
        recipe.write_text(RECIPE)
        tally = campaign(folder, recipe, given.kills, given.runs, given.seed)
    print("\n".join(tables(tally)))
    print(f"{time.monotonic() - started:.0f} s")


if __name__ == "__main__":
    main()
