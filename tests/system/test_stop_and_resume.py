"""Signals, kills and resuming, with real processes; and an operator on a real pseudo-terminal."""

import json
import os
import pty
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

pytestmark = pytest.mark.timeout(400)  # several whole runs, on a machine that may be busy

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def slow_recipe(short_recipe):
    """A run of it lasts long enough to be caught in the middle."""
    short_recipe.write_text(short_recipe.read_text().replace("repeats: 8", "repeats: 24"))
    return short_recipe


def test_sigint_ends_with_the_shots_kept_and_resume_completes(
    program, simulated, slow_recipe, wait_for_line
):
    bench, _ = simulated()
    with program.started("run", slow_recipe, "--bench", bench) as process:
        wait_for_line(process, process.stderr, "shot 01_reference_bare stored")
        process.send_signal(signal.SIGINT)
        process.wait(60)
        told = process.stderr.read()

    assert process.returncode == 5
    assert "floorshot resume" in told
    assert "Traceback" not in told
    (spool,) = (program.folder / "runs").glob("*.spool")
    assert not list((program.folder / "runs").glob("*.h5"))
    assert program.run("verify", spool).returncode == 0

    done = program.run("resume", spool)

    assert done.returncode in (0, 1, 3), done.stderr
    (run_file,) = (program.folder / "runs").glob("*.h5")
    assert not spool.exists()
    events = [
        json.loads(line) for line in program.run("show", run_file, "--events").stdout.splitlines()
    ]
    names = [event["name"] for event in events]
    assert "run_interrupted" in names
    assert "run_resumed" in names
    stored = [event["data"]["shot"] for event in events if event["name"] == "shot_stored"]
    assert stored.count("01_reference_bare") == 1
    document = json.loads(program.run("show", run_file, "--json").stdout)
    assert any("broken off" in remark for remark in document["remarks"])
    assert program.run("verify", run_file).returncode == 0


def test_a_killed_run_resumes_as_well(program, simulated, slow_recipe, wait_for_line):
    bench, _ = simulated()
    with program.started("run", slow_recipe, "--bench", bench) as process:
        wait_for_line(process, process.stderr, "stored")
        process.kill()
        process.wait(60)
    (spool,) = (program.folder / "runs").glob("*.spool")

    done = program.run("resume", spool, "--bench", bench)

    assert done.returncode in (0, 1, 3), done.stderr
    assert list((program.folder / "runs").glob("*.h5"))


def test_another_bench_profile_is_no_place_to_resume(
    program, simulated, slow_recipe, wait_for_line
):
    bench, _ = simulated()
    with program.started("run", slow_recipe, "--bench", bench) as process:
        wait_for_line(process, process.stderr, "stored")
        process.send_signal(signal.SIGTERM)
        process.wait(60)
    assert process.returncode == 5
    (spool,) = (program.folder / "runs").glob("*.spool")
    other = program.folder / "other.yaml"
    other.write_text(
        bench.read_text().replace("pickup_repeatability: 2 %", "pickup_repeatability: 5 %")
    )

    refused = program.run("resume", spool, "--bench", other)

    assert refused.returncode == 2
    assert "other.yaml is not the bench profile that this run began with" in refused.stderr
    assert spool.exists()


def test_two_runs_on_one_bench_exclude_each_other(program, simulated, slow_recipe, wait_for_line):
    bench, _ = simulated()
    with program.started("run", slow_recipe, "--bench", bench) as process:
        wait_for_line(process, process.stderr, "stored")

        second = program.run("run", "bonding_lead", "--bench", bench, "--output", "elsewhere")

        assert second.returncode == 2
        assert "in use by another run" in second.stderr
        process.send_signal(signal.SIGINT)
        assert process.wait(60) == 5


def test_an_operator_on_a_terminal_sets_each_condition(program, simulated, short_recipe):
    """A hand types the condition at the run's terminal, after setting it at the simulated bench."""
    bench, lab = simulated("hand.yaml", "--fixture", "operator", stdin=subprocess.PIPE)
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "acquire", "run", str(short_recipe), "--bench", str(bench)],
        cwd=program.folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), "TERM": "dumb"},
        stdin=slave,
        stderr=slave,
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    os.close(slave)
    try:
        screen, asked = "", []
        deadline = time.monotonic() + 300
        while time.monotonic() < deadline:
            try:
                screen += os.read(master, 4096).decode(errors="replace")
            except OSError:  # the terminal's other end has closed: the run is over
                break
            waiting = re.search(r"Type (\w+) and press Enter[^:]*: $", screen)
            if waiting:
                condition = waiting[1]
                lab.stdin.write(f"{condition}\n")
                lab.stdin.flush()
                while f"{condition} stands" not in lab.stdout.readline():
                    pass
                asked.append(condition)
                os.write(master, f"{condition}\n".encode())
                screen = ""
        out, _ = process.communicate(timeout=60)
    finally:
        if process.poll() is None:
            process.kill()
            process.wait(60)
        os.close(master)

    assert process.returncode in (0, 1, 3), screen + out
    assert asked == ["bare", "damped_choke", "triple_core", "air_coil", "bare", "probe_off"]
    assert "Verdict of the run" in out
