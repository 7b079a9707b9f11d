"""The daemon's commands as a person types them. No daemon is there: they need none, and say so."""

from __future__ import annotations

import threading

import pytest

from acquire.cli import invoke, names
from acquire.daemon.folder import StateFolder
from acquire.errors import ExitCode

EARLIER = "2020-01-01T00:00"


@pytest.fixture
def folder(tmp_path):
    """A state folder with a bench by hand and one with relays."""
    state = StateFolder(tmp_path / "state")
    state.prepare()
    for name, shipped in (("by_hand", "operator"), ("tunnel", "simulated")):
        text = names.locate("bench", f"wind_tunnel_{shipped}").read_text("utf-8")
        (state.benches / f"{name}.yaml").write_text(text, "utf-8")
    return state


@pytest.fixture
def queue(folder):
    opened = folder.queue()
    yield opened
    opened.close()


@pytest.fixture
def floorshot(folder, capsys, monkeypatch):
    """A function that types a command; gives its exit code and all that it shows."""
    monkeypatch.setenv("FLOORSHOT_STATE", str(folder.root))
    monkeypatch.setenv("COLUMNS", "200")

    def type_in(*words):
        code = invoke([str(word) for word in words])
        shown = capsys.readouterr()
        return code, " ".join((shown.out + shown.err).split())

    return type_in


@pytest.fixture
def at_a_gate(queue, floorshot):
    """A run that waits for a hand."""
    assert floorshot("submit", "bonding_lead", "-b", "by_hand")[0] == 0
    queue.claim(["by_hand"])
    queue.open_gate(1, "bare", "take the candidate out", ["isolate and prove dead first"])
    return 1


def test_what_is_submitted_waits_and_says_what_it_needs(floorshot, queue):
    code, shown = floorshot("submit", "bonding_lead", "--bench", "by_hand", "--by", "R. Field")

    assert code == 0
    assert shown.startswith("run 1 ")
    assert "a hand is needed 6 times" in shown
    assert "no daemon serves this queue now (never did)" in shown
    assert (queue.run(1).hands, queue.run(1).submitted_by) == (6, "R. Field")
    code, shown = floorshot("queue")
    assert code == 0
    assert "1 queued by_hand bonding_lead.yaml 0 6" in shown


def test_a_daemon_that_lives_is_told_of(floorshot, queue):
    queue.beat()
    assert "a daemon serves this queue" in floorshot("submit", "bonding_lead", "-b", "tunnel")[1]


def test_the_same_recipe_twice_is_two_runs(floorshot, queue):
    for _ in range(2):
        assert floorshot("submit", "bonding_lead", "--bench", "tunnel")[0] == 0
    assert [run.id for run in queue.runs(["queued"])] == [1, 2]


def test_a_full_queue_refuses_and_says_how_full(floorshot, folder, queue):
    (folder.root / "daemon.yaml").write_text("queue_length: 1\n")
    floorshot("submit", "bonding_lead", "--bench", "tunnel")
    code, shown = floorshot("submit", "bonding_lead", "--bench", "tunnel")

    assert code == ExitCode.BAD_INPUT
    assert "1 runs wait, at most 1" in shown
    assert len(queue.runs(["queued"])) == 1


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["bonding_lead", "-b", "tunel"], "did you mean 'tunnel'"),
        (["bondin_lead", "-b", "tunnel"], "bonding_lead"),
        (["bonding_lead", "-b", "tunnel", "--every", "5 parsecs"], "write a number and s, min"),
        (["bonding_lead", "-b", "tunnel", "--cron", "x"], "write five fields"),
        (["bonding_lead", "-b", "tunnel", "--at", EARLIER], "has passed"),
        (["bonding_lead", "-b", "tunnel", "--at", "tomorrow"], "write it like"),
        (["bonding_lead", "-b", "tunnel", "--count", "2"], "--count needs"),
        (["bonding_lead", "-b", "tunnel", "--every", "1 h", "--cron", "* * * * *"], "give one of"),
        (["bonding_lead", "-b", "tunnel", "--cron", "* * * * *", "--zone", "Mars"], "time zone"),
    ],
)
def test_what_is_wrong_is_not_queued(floorshot, queue, words, told):
    code, shown = floorshot("submit", *words)

    assert code == ExitCode.BAD_INPUT
    assert told in shown
    assert queue.last_event() == 0


def test_a_schedule_is_listed_with_its_next_time_and_ended(floorshot, queue):
    code, shown = floorshot("submit", "bonding_lead", "-b", "tunnel", "--cron", "0 3 * * 6",
                            "--zone", "Europe/Berlin", "--count", "10")  # fmt: skip
    assert (code, shown.startswith("schedule 1, next run ")) == (0, True)
    assert "03:00:00+0" in shown
    assert "cron 0 3 * * 6" in floorshot("queue")[1]
    assert floorshot("queue", "--end-schedule", "1")[1] == "schedule 1 has ended"
    assert floorshot("queue", "--end-schedule", "1")[0] == ExitCode.BAD_INPUT


def test_a_gate_shows_its_cautions_before_anything_is_confirmed(floorshot, queue, at_a_gate):
    code, shown = floorshot("confirm", at_a_gate)

    assert code == 0
    assert "isolate and prove dead first" in shown
    assert "floorshot confirm 1 --condition bare" in shown
    assert queue.gate(at_a_gate).confirmed_at is None
    assert "waits for a hand: set bare" in floorshot("queue")[1]


def test_a_confirm_names_the_condition_and_the_person(floorshot, queue, at_a_gate):
    code, shown = floorshot("confirm", at_a_gate, "--condition", "damped_choke")
    assert code == ExitCode.BAD_INPUT
    assert "waits for 'bare', not for 'damped_choke'" in shown
    code, shown = floorshot("confirm", at_a_gate, "--condition", "bare", "--by", "R. Field")
    assert (code, shown.startswith("run 1: bare confirmed by R. Field")) == (0, True)
    assert queue.gate(at_a_gate).confirmed_by == "R. Field"


def test_a_parked_run_goes_on_and_an_ended_one_does_not(floorshot, queue):
    floorshot("submit", "bonding_lead", "--bench", "tunnel")
    assert floorshot("confirm", 1)[0] == ExitCode.BAD_INPUT  # it waits at no gate
    queue.claim(["tunnel"])
    queue.park(1, "instrument fault: link lost")
    assert "goes on from its stored shots" in floorshot("confirm", 1)[1]
    assert queue.run(1).state == "queued"


def test_a_cancelled_run_is_in_the_history(floorshot, queue, at_a_gate):
    floorshot("submit", "bonding_lead", "--bench", "tunnel")
    assert floorshot("cancel", at_a_gate, "--by", "me")[0] == 0  # it runs: it is asked to stop
    assert queue.run(at_a_gate).cancel_requested
    assert floorshot("cancel", 2, "--by", "me")[0] == 0
    assert "nothing to cancel" in floorshot("cancel", 2)[1]
    code, shown = floorshot("history")
    assert code == 0
    assert "cancelled by me" in shown


def test_a_watch_ends_with_the_run_and_its_code(floorshot, queue):
    floorshot("submit", "bonding_lead", "--bench", "tunnel")
    queue.claim(["tunnel"])
    queue.finish(1, ExitCode.LIMIT_NOT_MET, path=None, document=None, reason="")
    assert floorshot("watch", 1)[0] == ExitCode.LIMIT_NOT_MET
    assert "a limit not met" in floorshot("history")[1]


def test_a_watch_follows_a_run_that_goes_on(floorshot, folder, queue):
    floorshot("submit", "bonding_lead", "--bench", "tunnel")
    queue.claim(["tunnel"])

    def carry_out():
        other = folder.queue()
        other.tell("step_started", 1, step=5, steps=9, text="the reference shot", seconds_left=60)
        other.open_gate(1, "bare", "take the candidate out", [])
        other.park(1, "nobody came to the gate")
        other.close()

    worker = threading.Timer(0.6, carry_out)
    worker.start()
    code, shown = floorshot("watch", 1, "--from-start")
    worker.join(10)

    assert code == ExitCode.UNDECIDED
    assert "step 5 of 9: the reference shot" in shown
    assert "waits for a hand: set bare, then 'floorshot confirm 1'" in shown
    assert "run 1 is parked: nobody came to the gate" in shown


@pytest.mark.parametrize("command", ["watch", "confirm", "cancel"])
def test_a_run_that_is_not_there_is_said(floorshot, command):
    code, shown = floorshot(command, 99)
    assert code == ExitCode.BAD_INPUT
    assert "run 99: there is no such run" in shown


def test_a_missing_state_folder_says_how_one_is_made(floorshot, tmp_path):
    code, shown = floorshot("queue", "--state", tmp_path / "none")
    assert code == ExitCode.BAD_INPUT
    assert "floorshot serve --state" in shown
