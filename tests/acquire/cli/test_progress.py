"""Every event has its line, or is silent on purpose; nothing is animated without a terminal."""

from datetime import UTC, datetime

import pytest

from acquire.cli import progress
from acquire.run.events import EVENTS
from acquire.run.plan import ORDERS
from acquire.runfile.records import Event

NOON = datetime(2026, 11, 25, 12, 0, 0, tzinfo=UTC)

SAMPLES = {
    "step_started": {
        "step": 26,
        "steps": 27,
        "kind": "analyse",
        "text": "compute",
        "seconds_left": 1,
    },
    "run_started": {
        "run_id": "r1",
        "title": "A lead",
        "steps": 20,
        "hands": 0,
        "estimated_seconds": 90.0,
        "estimated_bytes": 1000,
    },
    "run_resumed": {
        "run_id": "r1",
        "break_seconds": 12.0,
        "stored_shots": 3,
        "decision": "a new reference is taken",
    },
    "finding": {"level": "warning", "subject": "probe", "text": "calibration expired"},
    "instrument_identified": {"role": "scope", "resource": "TCPIP::x", "idn": "A,B,C,D"},
    "condition_set": {"condition": "bare", "by": "relay", "closed": [101]},
    "continuity_measured": {"condition": "choke", "ohms": 0.0143, "limit": 0.1, "passed": True},
    "range_chosen": {
        "quantity": "lead_current",
        "vertical_range": 0.8,
        "fill": 0.74,
        "reason": "fits",
    },
    "record_retaken": {"shot": "02_target_choke", "repeat": 3, "reason": "clipped"},
    "shot_retaken": {"shot": "02_target_choke", "attempt": 2, "reason": "clipped"},
    "shot_stored": {
        "shot": "02_target_choke",
        "role": "target",
        "condition": "choke",
        "ranges": {"lead_current": 0.8},
        "peaks": {"lead_current": 0.3},
        "remarks": ["a remark"],
        "faults": [],
        "seconds": 1.25,
    },
    "shot_gone": {"shot": "02_target_choke"},
    "floor_skipped": {"reason": "every range has one"},
    "instrument_failed": {"instrument": "scope", "error": "gone", "doing": "fetch"},
    "link_recovered": {"instrument": "scope", "attempt": 1, "changed": []},
    "level_suspect": {
        "shot": "s",
        "against": "t",
        "quantity": "q",
        "db": 1.0,
        "text": "as on bare",
    },
    "clock_jumped": {"seconds": -3600.0},
    "fixture_parked": {"condition": "bare", "verified": True},
    "fixture_unknown": {"error": "gone"},
    "run_interrupted": {"reason": "SIGINT at 12:00:00", "how_to_resume": "floorshot resume x"},
    "run_faulted": {"error": "gone", "how_to_resume": "floorshot resume x"},
}


def test_every_event_has_its_place_in_the_table():
    assert set(progress.LINES) == set(EVENTS)


@pytest.mark.parametrize("name", [name for name, line in progress.LINES.items() if line])
def test_every_line_can_be_made_from_the_documented_keys(name):
    sample = SAMPLES[name]
    assert [key for key in sample if key not in EVENTS[name]] == []

    line = progress.line_of(Event(name, NOON, sample))

    assert line
    assert "\n" not in line


def test_the_lines_say_what_happened():
    def line(name):
        return progress.line_of(Event(name, NOON, SAMPLES[name]))

    assert line("run_started") == "run r1: A lead (20 steps, about 1.5 min)"
    assert line("run_resumed") == (
        "run r1 goes on after 12 s: 3 shots kept; a new reference is taken"
    )
    assert line("continuity_measured") == "continuity of choke: 14.3 mΩ (limit 100 mΩ): ok"
    assert line("range_chosen") == "range of lead_current: 800 mV full scale, 74 % filled"
    assert line("shot_stored") == (
        "shot 02_target_choke stored: range lead_current 800 mV, 1.2 s; a remark"
    )
    assert line("clock_jumped") == "the clock of this computer jumped by -3600.0 s"


def test_an_open_conductor_reads_as_open_and_failed():
    event = Event(
        "continuity_measured",
        NOON,
        {"condition": "choke", "ohms": None, "limit": 0.1, "passed": False},
    )

    assert progress.line_of(event) == "continuity of choke: open (limit 100 mΩ): FAILED"


def test_without_a_terminal_there_are_plain_lines_and_no_control_codes(capsys):
    with progress.Reporter() as reporter:
        reporter(Event("caution", NOON, {"text": "Treat it as live."}))
        reporter(
            Event("step_started", NOON, {"step": 1, "steps": 2, "kind": "capture", "text": "x"})
        )
        reporter(Event("shot_stored", NOON, SAMPLES["shot_stored"]))

    shown = capsys.readouterr()
    assert shown.out == ""
    assert "CAUTION   Treat it as live." in shown.err
    assert "shot 02_target_choke stored" in shown.err
    assert "\x1b" not in shown.err
    assert "\r" not in shown.err
    assert len(shown.err.splitlines()) == 2


def test_with_a_bar_the_lines_are_kept_above_it(capsys, monkeypatch):
    monkeypatch.setenv("FORCE_COLOR", "1")
    with progress.Reporter(animated=True) as reporter:
        reporter(
            Event("step_started", NOON, {"step": 1, "steps": 2, "kind": "capture", "text": "x"})
        )
        reporter(Event("record_taken", NOON, {"shot": "s", "repeat": 1, "repeats": 4}))
        reporter(Event("shot_stored", NOON, SAMPLES["shot_stored"]))
        reporter.pause()

    assert "shot 02_target_choke stored" in capsys.readouterr().err


def test_a_caution_is_whole_the_first_time_and_never_left_out(capsys):
    caution = Event("caution", NOON, {"text": "The conductor protects people. Leave it closed."})
    with progress.Reporter() as reporter:
        reporter(caution)
        reporter(caution)

    assert capsys.readouterr().err.splitlines() == [
        "CAUTION   The conductor protects people. Leave it closed.",
        "CAUTION   (as above) The conductor protects people.",
    ]


def test_a_finding_that_is_as_it_should_be_is_no_line():
    event = Event("finding", NOON, {"level": "ok", "subject": "clock", "text": "right"})

    assert progress.line_of(event) is None


def test_only_the_steps_that_are_long_and_silent_have_a_line():
    told = {
        kind
        for kind in ORDERS
        if progress.line_of(Event("step_started", NOON, {"kind": kind, "step": 1, "steps": 2}))
    }

    assert told == {"analyse", "store"}
