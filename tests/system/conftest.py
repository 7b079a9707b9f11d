"""The program as a person meets it: real processes, real sockets, real files."""

import contextlib
import os
import select
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PATIENCE = 300.0
"""Longest that any one command of these tests may take. [s]"""


def _environment():
    """The person's environment; a checkout that is not installed is found all the same."""
    kept = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "FORCE_COLOR")}
    return {**kept, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "error", "NO_COLOR": "1"}


def _command(*arguments):
    return [sys.executable, "-m", "acquire", *map(str, arguments)]


class Program:
    """Runs ``floorshot`` in a folder of the test's own."""

    def __init__(self, folder):
        self.folder = folder

    def run(self, *arguments, timeout=PATIENCE, stdin=subprocess.DEVNULL, **options):
        """Run to the end and return what came of it."""
        return subprocess.run(
            _command(*arguments),
            cwd=self.folder,
            env=_environment(),
            stdin=stdin,
            capture_output=True,
            text=True,
            timeout=timeout,
            check=False,
            **options,
        )

    @contextlib.contextmanager
    def started(self, *arguments, **options):
        """Start, and see to it that it ends: by SIGINT, or by SIGKILL where that is not heard."""
        process = subprocess.Popen(
            _command(*arguments),
            cwd=self.folder,
            env=_environment(),
            **{
                "stdin": subprocess.DEVNULL,
                "stdout": subprocess.PIPE,
                "stderr": subprocess.PIPE,
                "text": True,
                **options,
            },
        )
        try:
            yield process
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGINT)
                try:
                    process.wait(10)
                except subprocess.TimeoutExpired:
                    process.kill()
            process.wait(10)
            for stream in (process.stdin, process.stdout, process.stderr):
                if stream is not None:
                    stream.close()


def _wait_for_line(process, stream, text, seconds=PATIENCE):
    """Return all lines up to the first one with ``text`` in it; a silent process is killed."""
    lines = []
    watchdog = threading.Timer(seconds, process.kill)
    watchdog.start()
    try:
        for line in stream:
            lines.append(line)
            if text in line:
                return lines
    finally:
        watchdog.cancel()
    raise AssertionError(f"no line with {text!r} came; there was: {''.join(lines)}")


@pytest.fixture(scope="session")
def wait_for_line():
    return _wait_for_line


@pytest.fixture(scope="session")
def program_in():
    """The program in a folder that is given: ``program_in(folder).run(...)``."""
    return Program


@pytest.fixture
def program(tmp_path):
    return Program(tmp_path)


@pytest.fixture
def simulated(program):
    """A function that starts ``floorshot simulate`` and returns (bench file, process)."""
    with contextlib.ExitStack() as stack:

        def start(name="simulated_bench.yaml", *arguments, **options):
            process = stack.enter_context(
                program.started("simulate", "--port", "0", "--write", name, *arguments, **options)
            )
            _wait_for_line(process, process.stdout, "Ready")
            return program.folder / name, process

        yield start


@pytest.fixture
def short_recipe(program):
    """The shipped recipe with fewer repeats and one measure, for what is not about numbers."""
    text = program.run("example", "bonding_lead").stdout
    for long, short in (
        ("repeats: 32", "repeats: 8"),
        ("measures: [peak_to_peak, rms, band_b]", "measures: [rms]"),
    ):
        assert long in text
        text = text.replace(long, short)
    path = program.folder / "short.yaml"
    path.write_text(text)
    return path


class Ears:
    """Three listening sockets, as many as a bench has instruments, that count who connects."""

    def __init__(self):
        self._listeners = [socket.create_server(("127.0.0.1", 0)) for _ in range(3)]
        self.ports = [listener.getsockname()[1] for listener in self._listeners]
        self.connections = 0
        self._over = False
        self._thread = threading.Thread(target=self._listen)
        self._thread.start()

    def _listen(self):
        while not self._over:
            ready, _, _ = select.select(self._listeners, [], [], 0.05)
            for listener in ready:
                client, _ = listener.accept()
                self.connections += 1
                client.close()

    def connections_at_last(self):
        """Stop listening; return how many connections were made, those still queued included."""
        self.close()
        return self.connections

    def close(self):
        """Take in whatever is still queued, and end."""
        self._over = True
        self._thread.join(5)
        ready, _, _ = select.select(self._listeners, [], [], 0)
        self.connections += len(ready)
        for listener in self._listeners:
            listener.close()
        self._listeners = []


@pytest.fixture
def ears():
    found = Ears()
    yield found
    found.close()
