"""Print how the API bears 1000 submissions while 50 listeners follow the events.

    python tests/benchmarks/daemon_load.py [--runs 1000] [--listeners 50]

The daemon is a process of its own with one bench, whose first run waits for a hand: what is
looked at is the queue, the event stream, memory and descriptors. Nothing here asserts a time.
"""

from __future__ import annotations

import argparse
import signal
import subprocess
import sys
import tempfile
import threading
import time
from datetime import datetime
from pathlib import Path

from acquire.cli import simulated_profile
from acquire.daemon.client import Client
from acquire.daemon.folder import StateFolder
from acquire.errors import RefusedError
from simulated_instruments.bench import SimulatedBench

RECIPE = "bonding_lead"


def main() -> None:
    """Run the load and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--listeners", type=int, default=50)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as here, SimulatedBench(seed=1) as bench:
        folder = StateFolder(Path(here) / "state")
        folder.prepare()
        text = simulated_profile.text(bench.resources, "operator")
        (folder.benches / "by_hand.yaml").write_text(text, "utf-8")
        (folder.root / "daemon.yaml").write_text("http: {requests_per_minute: 1000000}\n")
        command = [sys.executable, "-m", "acquire", "serve", "--state", str(folder.root)]
        with subprocess.Popen(command, stderr=subprocess.DEVNULL) as daemon:
            try:
                load(folder, daemon.pid, given.runs, given.listeners)
            finally:
                daemon.send_signal(signal.SIGTERM)
                daemon.wait(30)


def load(folder: StateFolder, pid: int, runs: int, listeners: int) -> None:
    """Submit, listen, and print what it took."""
    with Client.of_state(folder.root) as client:
        wait_for(client)
        say("before", pid)
        heard: list[list[float]] = [[] for _ in range(listeners)]
        ears = [threading.Thread(target=listen, args=(folder, late, runs)) for late in heard]
        for ear in ears:
            ear.start()
        text = (Path(__file__).parents[2] / "profiles/recipes" / f"{RECIPE}.yaml").read_text()
        started = time.monotonic()
        took = [submit(client, text) for _ in range(runs)]
        print(f"{runs} submissions in {time.monotonic() - started:.1f} s, {spread(took)}")
        for ear in ears:
            ear.join(60)
        print(f"{listeners} listeners heard {sum(map(len, heard))} events,"
              f" {spread([one for late in heard for one in late])}")  # fmt: skip
        say("after", pid)
        print(f"{len(client.queue())} runs wait or run")


def wait_for(client: Client) -> None:
    """Wait until the daemon answers."""
    for _ in range(200):
        try:
            client.queue()
        except RefusedError:
            time.sleep(0.1)
        else:
            return
    raise SystemExit("the daemon did not come")


def submit(client: Client, text: str) -> float:
    """Submit once; return how long it took. [s]"""
    started = time.monotonic()
    client.submit("by_hand", recipe_text=text)
    return time.monotonic() - started


def listen(folder: StateFolder, late: list[float], runs: int) -> None:
    """Follow the events until every submission was heard; note how old each was. [s]"""
    with Client.of_state(folder.root) as client:
        for event in client.watch(after=0):
            if event["name"] == "run_queued":
                late.append(time.time() - datetime.fromisoformat(event["at"]).timestamp())
                if len(late) == runs:
                    return


def spread(seconds: list[float]) -> str:
    """Return median, 99th percentile and longest for people."""
    ordered = sorted(seconds)
    points = (ordered[len(ordered) // 2], ordered[int(0.99 * len(ordered))], ordered[-1])
    return "median {:.0f} ms, 99 % within {:.0f} ms, longest {:.0f} ms".format(
        *(1000 * one for one in points)
    )


def say(when: str, pid: int) -> None:
    """Print the daemon's memory and descriptors."""
    status = Path(f"/proc/{pid}/status").read_text()
    kilobytes = int(next(line for line in status.splitlines() if "VmRSS" in line).split()[1])
    descriptors = sum(1 for _ in Path(f"/proc/{pid}/fd").iterdir())
    print(f"{when}: {kilobytes / 1024:.0f} MiB, {descriptors} descriptors")


if __name__ == "__main__":
    main()
