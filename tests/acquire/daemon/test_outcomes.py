"""What happens when two want one bench, a client dies, or the disk is full: all with processes."""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
import time
from pathlib import Path

import pytest

from acquire.daemon.folder import StateFolder
from acquire.daemon.queue import Submission
from acquire.daemon.server import ApiServer
from acquire.runfile import verify

ROOT = Path(__file__).resolve().parents[3]


def names(queue, number=None):
    return [event.name for event in queue.events(run=number, limit=100_000)]


def test_every_outcome_that_the_page_lists_has_its_test():
    page = (ROOT / "acquire" / "daemon" / "README.md").read_text("utf-8")
    there = "".join(
        path.read_text("utf-8")
        for folder in ("daemon", "cli")
        for path in (ROOT / "tests" / "acquire" / folder).glob("test_*.py")
    )
    named = re.findall(r"`(test_[a-z_]+)`", page)

    assert len(named) > 10
    assert [name for name in named if f"def {name}(" not in there] == []


# -- two daemons on one bench ----------------------------------------------------------------------
def test_a_bench_that_another_daemon_measures_on_is_waited_for(
    folder, bench, queue, serving, recipe_text, tmp_path, wait_until
):
    """Two state folders, two daemons, one set of instruments: one measures, the other waits."""
    other = StateFolder(tmp_path / "other")
    other.prepare()
    for profile in folder.benches.iterdir():
        (other.benches / profile.name).write_bytes(profile.read_bytes())
    first = queue.submit(Submission("short.yaml", recipe_text, "by_hand")).id
    serving("--no-http")
    wait_until(lambda: queue.gate(first))  # it holds the instruments and waits for a hand

    with contextlib.closing(other.queue()) as others:
        second = others.submit(Submission("short.yaml", recipe_text, "tunnel")).id
        serving("--no-http", "--state", other.root)
        wait_until(lambda: "run_requeued" in names(others, second))
        run = others.run(second)

    assert (run.state, run.attempts) == ("queued", 0)
    assert "in use by another run" in run.reason
    assert run.not_before > run.submitted_at
    assert queue.run(first).state == "running"


# -- a client that dies ----------------------------------------------------------------------------
def test_a_command_that_is_killed_has_queued_its_run_whole_or_not_at_all(
    folder, bench, queue, tmp_path, recipe_text
):
    recipe = tmp_path / "short.yaml"
    recipe.write_text(recipe_text)
    command = [sys.executable, "-m", "acquire", "submit", recipe, "--bench", "tunnel",
               "--state", folder.root]  # fmt: skip
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    for moment in (0.3, 0.7, 1.1):
        with subprocess.Popen(
            command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        ) as submitter:
            time.sleep(moment)
            submitter.kill()

    runs = queue.runs(["queued"])
    assert names(queue) == ["run_queued"] * len(runs)
    assert [run.recipe_text for run in runs] == [recipe_text] * len(runs)
    assert queue.submit(Submission("short.yaml", recipe_text, "tunnel")).state == "queued"
    assert queue.db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


# -- a full disk -----------------------------------------------------------------------------------
@pytest.fixture
def small_disk(tmp_path):
    """A disk of 40 MB of its own."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=40m", "tmpfs", str(place)]
    try:
        subprocess.run(mount, check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError) as why:
        pytest.skip(f"no disk of its own can be had here ({why}); it needs root")
    yield place
    subprocess.run(["umount", "--lazy", str(place)], check=True)


@pytest.fixture
def folder(request, tmp_path):
    """The state folder; on the small disk where a test asks for one."""
    place = tmp_path
    if "small_disk" in request.fixturenames:
        place = request.getfixturevalue("small_disk")
    state = StateFolder(place / "state")
    state.prepare()
    return state


def alive(pid):
    """Whether a process goes on; one that its parent has not buried yet does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@contextlib.contextmanager
def filled(place):
    """Leave not a byte on a disk while the context lasts."""
    ballast = place / "ballast"
    with ballast.open("wb", buffering=0) as file:
        for size in (1 << 20, 4096, 1):
            with contextlib.suppress(OSError):
                while file.write(b"x" * size) == size:
                    pass
    yield
    ballast.unlink()


def test_a_full_disk_refuses_a_submission_and_takes_the_next(
    small_disk, folder, bench, ask_unix, recipe_text
):
    body = {"bench": "tunnel", "recipe_text": recipe_text}
    with ApiServer(folder):
        with filled(small_disk):
            answers = [ask_unix(folder, "POST", "/api/v1/runs", body) for _ in range(5)]
            listed = ask_unix(folder, "GET", "/api/v1/runs")
        later = ask_unix(folder, "POST", "/api/v1/runs", body)
        runs = ask_unix(folder, "GET", "/api/v1/runs").json["runs"]

    refused = [answer for answer in answers if answer.status == 503]
    assert refused
    assert all("full" in answer.json["detail"] for answer in refused)
    assert listed.status == 200
    assert later.status == 201
    assert len(runs) == 1 + len(answers) - len(refused)


def test_a_disk_that_fills_while_a_run_is_measured_loses_nothing(
    small_disk, folder, bench, queue, serving, recipe_text, wait_until
):
    number = queue.submit(Submission("short.yaml", recipe_text, "tunnel")).id
    daemon = serving("--no-http")
    wait_until(lambda: "shot_stored" in names(queue, number))
    worker = queue.run(number).worker_pid
    with filled(small_disk):
        wait_until(lambda: not alive(worker))
        assert daemon.poll() is None

    def ended():
        if queue.run(number).state == "parked":
            queue.unpark(number, "there is room again")
        return queue.run(number).state == "finished"

    wait_until(ended)
    run = queue.run(number)
    assert daemon.poll() is None
    assert run.exit_code == 0, run.reason
    assert names(queue, number).count("run_finished") == 1
    assert "run_resumed" in names(queue, number)
    assert not verify(Path(run.path))
