"""Print the memory and the open files of one daemon while runs go through it, one after the other.

    python tests/benchmarks/daemon_soak.py [--runs 300] [--rows 12]

The daemon is a process of its own with two simulated benches. Meanwhile it is used as on a bench:
five listeners follow the events, one of them comes and goes, and after each run somebody asks for
the queue, the result, the traces and the run file. Nothing here asserts; what grows is seen in the
columns, and in the slope over the last three quarters.
"""

from __future__ import annotations

import argparse
import contextlib
import signal
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import astuple, dataclass
from pathlib import Path

import numpy as np

from acquire.cli import simulated_profile
from acquire.daemon import metrics
from acquire.daemon.client import Client
from acquire.daemon.folder import StateFolder
from acquire.daemon.queue import Queue
from acquire.errors import FloorshotError
from simulated_instruments.bench import SimulatedBench

BENCHES = ("tunnel", "annex")
WAITING = 4
"""Runs that are kept in the queue."""

RECIPE = """
floorshot_recipe: 1
title: soak
purpose: pass through the daemon
conductor: {name: bonding lead, protective: true, mains_connected: false}
quantities:
  lead_current: {kind: current}
  inverter_edge: {kind: voltage}
acquisition:
  duration: 10 us
  pre_trigger: 1 us
  minimum_sample_rate: 250 MS/s
  repeats: 4
  trigger: {source: inverter_edge, level: 5 V, timeout: 2 s}
conditions:
  bare: {kind: bare, description: no candidate}
  damped_choke: {kind: candidate, description: the damped choke in the lead}
  probe_off: {kind: no_current, description: the probe off the lead}
shots:
  - {role: reference, condition: bare}
  - {role: target, condition: damped_choke}
  - {role: reference, condition: bare}
  - {role: floor, condition: probe_off}
"""


@dataclass(frozen=True)
class Sample:
    """What was seen of the daemon at one moment. Minutes, MiB, MB."""

    runs: int
    minutes: float
    memory: float
    descriptors: int
    threads: int
    children: int
    queue_file: float
    events: int


def main() -> None:
    """Run the soak and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=300)
    parser.add_argument("--rows", type=int, default=12)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as here, contextlib.ExitStack() as stack:
        folder = StateFolder(Path(here) / "state")
        folder.prepare()
        for seed, name in enumerate(BENCHES, 1):
            bench = stack.enter_context(SimulatedBench(seed=seed))
            text = simulated_profile.text(bench.resources, "relay")
            (folder.benches / f"{name}.yaml").write_text(text, "utf-8")
        (folder.root / "daemon.yaml").write_text("http: {requests_per_minute: 1000000}\n")
        command = [sys.executable, "-m", "acquire", "serve", "--state", str(folder.root)]
        with subprocess.Popen(command, stderr=subprocess.DEVNULL) as daemon:
            try:
                soak(folder, daemon.pid, given.runs, given.rows)
            finally:
                daemon.send_signal(signal.SIGTERM)
                daemon.wait(60)


def soak(folder: StateFolder, pid: int, runs: int, rows: int) -> None:
    """Keep the queue filled until enough runs have ended; print a row now and then."""
    over = threading.Event()
    with Client.of_state(folder.root) as client, contextlib.closing(folder.queue()) as queue:
        wait_for(client)
        ears = [threading.Thread(target=listen, args=(folder, over, n)) for n in range(5)]
        for ear in ears:
            ear.start()
        print("| runs | minutes | memory, MiB | descriptors | threads | children | queue, MB"
              " | events |\n|---|---|---|---|---|---|---|---|")  # fmt: skip
        samples, started, ended, sent = [], time.monotonic(), 0, 0
        while ended < runs:
            while sent < runs and sent - ended < WAITING:
                client.submit(BENCHES[sent % 2], recipe_text=RECIPE)
                sent += 1
            count = metrics.counts(queue)["finished"]
            for run in queue.runs(["finished"], limit=max(1, count - ended)) if count else ():
                use(client, folder, run.id)
            if count * rows // runs > ended * rows // runs or not samples:
                samples.append(look(folder, queue, pid, count, time.monotonic() - started))
                show(samples[-1])
            ended = count
            time.sleep(0.3)
        assert [run.exit_code for run in queue.runs(["finished"], limit=runs)] == [0] * runs
        over.set()
        client.submit(BENCHES[0], recipe_text=RECIPE)  # its event wakes who still listens
        for ear in ears:
            ear.join(30)
        slopes(samples)


def use(client: Client, folder: StateFolder, number: int) -> None:
    """Do with a finished run what people do."""
    path = folder.root / "copy.h5"
    client.queue()
    client.result(number)
    client.preview(number)
    client.save_file(number, path)
    path.unlink()


def listen(folder: StateFolder, over: threading.Event, number: int) -> None:
    """Follow the events; the first of the listeners goes and comes back every hundred events."""
    while not over.is_set():
        with Client.of_state(folder.root) as client, contextlib.suppress(FloorshotError):
            for heard, _ in enumerate(client.watch()):
                if over.is_set() or (number == 0 and heard > 100):
                    break


def wait_for(client: Client) -> None:
    """Wait until the daemon answers."""
    for _ in range(300):
        try:
            client.queue()
        except FloorshotError:
            time.sleep(0.1)
        else:
            return
    raise SystemExit("the daemon did not come")


def look(folder: StateFolder, queue: Queue, pid: int, runs: int, seconds: float) -> Sample:
    """Look at the daemon from outside."""
    process = Path(f"/proc/{pid}")
    status = dict(
        line.split(":", 1) for line in (process / "status").read_text().splitlines() if ":" in line
    )
    tasks = (process / "task").iterdir()
    children = sum(len((task / "children").read_text().split()) for task in tasks)
    size = sum(path.stat().st_size for path in folder.root.glob("queue.sqlite*"))
    return Sample(
        runs, seconds / 60, int(status["VmRSS"].split()[0]) / 1024,
        sum(1 for _ in (process / "fd").iterdir()), int(status["Threads"]), children,
        size / 1e6, queue.last_event(),
    )  # fmt: skip


def show(one: Sample) -> None:
    """Print one row."""
    print("| {} | {:.1f} | {:.1f} | {} | {} | {} | {:.2f} | {} |".format(*astuple(one)), flush=True)


def slopes(samples: list[Sample]) -> None:
    """Print how memory and descriptors changed over the last three quarters."""
    late = [one for one in samples if one.runs >= samples[-1].runs / 4]
    runs = [one.runs for one in late]
    for name, values in (
        ("memory, MiB", [one.memory for one in late]),
        ("descriptors", [one.descriptors for one in late]),
    ):
        slope = np.polyfit(runs, values, 1)[0] * 100
        print(f"{name}: {min(values):.1f} to {max(values):.1f}, {slope:+.2f} in 100 runs")


if __name__ == "__main__":
    main()
