"""The program as a person meets it: real processes, real sockets, real files."""

import contextlib
import os
import selectors
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PATIENCE = 90.0
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


def _wait_for_line(stream, text, seconds=PATIENCE):
    """Return all lines up to the first one with ``text`` in it."""
    lines = []
    deadline = time.monotonic() + seconds
    with selectors.DefaultSelector() as selector:
        selector.register(stream, selectors.EVENT_READ)
        while (left := deadline - time.monotonic()) > 0:
            if not selector.select(left):
                break
            line = stream.readline()
            if not line:
                break
            lines.append(line)
            if text in line:
                return lines
    raise AssertionError(f"no line with {text!r} came; there was: {''.join(lines)}")


@pytest.fixture
def wait_for_line():
    return _wait_for_line


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
            _wait_for_line(process.stdout, "Ready")
            return program.folder / name, process

        yield start


class Ear:
    """A listening socket that counts who connects."""

    def __init__(self):
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.05)
        self.port = self._listener.getsockname()[1]
        self.connections = 0
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._listen)
        self._thread.start()

    def _listen(self):
        while not self._over.is_set():
            with contextlib.suppress(TimeoutError):
                client, _ = self._listener.accept()
                self.connections += 1
                client.close()

    def close(self):
        self._over.set()
        self._thread.join(5)
        self._listener.close()


@pytest.fixture
def ear():
    found = Ear()
    yield found
    found.close()
