"""State folders with a simulated bench behind them, and services in processes of their own."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from acquire.cli import simulated_profile
from acquire.daemon.folder import StateFolder
from acquire.daemon.queue import Submission
from acquire.daemon.server import ApiServer
from acquire.daemon.worker import carry_out
from simulated_instruments.bench import SimulatedBench

ROOT = Path(__file__).resolve().parents[3]
PATIENCE = 60.0

RECIPE = """
floorshot_recipe: 1
title: bonding lead, short
purpose: exercise the daemon
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
limits:
  - {condition: damped_choke, quantity: lead_current, measure: rms, attenuation_at_least: 3 dB}
"""


def wait_until(true, seconds=PATIENCE, every=0.05):
    """Wait for a condition; fail where it does not come."""
    end = time.monotonic() + seconds
    while not (found := true()):
        assert time.monotonic() < end, "what was waited for did not come"
        time.sleep(every)
    return found


@pytest.fixture(name="wait_until")
def _wait_until():
    return wait_until


@pytest.fixture
def recipe_text():
    return RECIPE


@pytest.fixture
def folder(tmp_path):
    state = StateFolder(tmp_path / "state")
    state.prepare()
    return state


@pytest.fixture
def bench(folder):
    """A simulated bench that the folder knows as ``tunnel`` (relays) and ``by_hand`` (a person)."""
    with SimulatedBench(seed=3) as simulated:
        for name, fixture in (("tunnel", "relay"), ("by_hand", "operator")):
            text = simulated_profile.text(simulated.resources, fixture)
            (folder.benches / f"{name}.yaml").write_text(text, "utf-8")
        yield simulated


@pytest.fixture
def queue(folder):
    opened = folder.queue()
    yield opened
    opened.close()


@pytest.fixture
def serving(folder):
    """A function that starts ``floorshot serve`` on the folder; every process is ended after."""
    started = []

    def start(*arguments):
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "error"}
        process = subprocess.Popen(
            [sys.executable, "-m", "acquire", "serve", "--state", folder.root, *arguments],
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        started.append(process)
        return process

    yield start
    for process in started:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(15)
        if process.poll() is None:
            process.kill()
        process.wait(10)
        process.stderr.close()


class UnixConnection(http.client.HTTPConnection):
    def __init__(self, path):
        super().__init__("localhost", timeout=20)
        self._path = str(path)

    def connect(self):
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.settimeout(20)
        self.sock.connect(self._path)


class Answer:
    """Status, headers and body of one answer."""

    def __init__(self, answer):
        self.status, self.headers, self.body = answer.status, answer.headers, answer.read()

    @property
    def text(self):
        return self.body.decode()

    @property
    def json(self):
        return json.loads(self.body)


def ask_over(connection, method, path, body=None, **headers):
    """Ask once; a body that is no text is sent as JSON; header_names become Header-Names."""
    if body is not None:
        headers.setdefault("Content_Type", "application/json")
        body = body if isinstance(body, str | bytes) else json.dumps(body)
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    with contextlib.closing(connection):
        connection.request(method, path, body, named)
        return Answer(connection.getresponse())


@pytest.fixture(scope="session")
def ask_unix():
    """Ask the API of a state folder over its Unix socket."""
    return lambda folder, *question, **headers: ask_over(
        UnixConnection(folder.socket), *question, **headers
    )


@pytest.fixture
def ask_tcp():
    """Ask an API over TCP: address, token, method, path, ..."""

    def ask(address, token, *question, **headers):
        if token is not None:
            headers["Authorization"] = f"Bearer {token}"
        host, port = address.removeprefix("http://").rstrip("/").rsplit(":", 1)
        return ask_over(
            http.client.HTTPConnection(host, int(port), timeout=20), *question, **headers
        )

    return ask


@pytest.fixture
def ask(folder, bench, ask_unix):
    """A served state folder with a bench, asked over the Unix socket."""
    with ApiServer(folder):
        yield lambda *question, **headers: ask_unix(folder, *question, **headers)


@pytest.fixture(scope="session")
def measured(tmp_path_factory):
    """A state folder whose run 1 has been measured on a simulated bench. Only to be read."""
    folder = StateFolder(tmp_path_factory.mktemp("measured") / "state")
    folder.prepare()
    with SimulatedBench(seed=3) as simulated:
        text = simulated_profile.text(simulated.resources, "relay")
        (folder.benches / "tunnel.yaml").write_text(text, "utf-8")
        queue = folder.queue()
        queue.submit(Submission("short.yaml", RECIPE, "tunnel"))
        queue.claim(["tunnel"])
        queue.close()
        carry_out(folder, 1)
    return folder
