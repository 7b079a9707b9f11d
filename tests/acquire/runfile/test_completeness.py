"""A shot that was announced as stored and is gone is missed; nothing else is."""

import json
from datetime import timedelta

import pytest

from acquire.runfile import Event, verify
from acquire.runfile.completeness import missing_captures, missing_shots
from acquire.runfile.tree import walk

PLAN = json.dumps(
    {
        "steps": [
            {"kind": "condition", "role": None, "condition": "bare"},
            {"kind": "capture", "role": "reference", "condition": "bare"},
            {"kind": "capture", "role": "target", "condition": "choke"},
            {"kind": "capture", "role": "reference", "condition": "bare"},
            {"kind": "floor", "role": "floor", "condition": "shorted"},
        ]
    }
)
SHOTS = ("00_reference_bare", "01_floor_shorted", "02_target_choke")


@pytest.fixture
def announced(maker, tmp_path):
    """A spool whose log has each of its shots as stored."""
    with maker.spool(tmp_path / "s") as spool:
        for number, shot in enumerate(SHOTS):
            at = maker.start + timedelta(minutes=4, seconds=number)
            spool.events.append(Event("shot_stored", at, {"shot": shot}))
        yield spool


def test_a_spool_with_every_announced_shot_is_whole(announced):
    assert verify(announced.folder) == []


def test_a_shot_that_was_deleted_by_hand_is_missed(announced):
    announced.shot_path(SHOTS[1]).unlink()

    (found,) = verify(announced.folder)

    assert found.file.endswith("/shots/01_floor_shorted.h5")
    assert found.found == "gone: events.jsonl has it as shot_stored"


def test_a_shot_that_is_stored_while_the_log_is_read_is_not_missed(announced, monkeypatch):
    """A run that goes on stores shots between any two steps of a check."""
    from acquire.runfile import EventLog

    path = announced.shot_path(SHOTS[2])
    away = path.rename(path.with_suffix(".away"))
    stream = EventLog.stream

    def and_then_stored(log):
        yield from stream(log)
        if away.exists():
            away.rename(path)

    monkeypatch.setattr(EventLog, "stream", and_then_stored)

    assert verify(announced.folder) == []


def test_a_loss_that_a_resumed_run_has_told_is_known(announced, maker):
    announced.shot_path(SHOTS[1]).unlink()
    announced.events.append(
        Event("shot_gone", maker.start + timedelta(minutes=9), {"shot": SHOTS[1]})
    )

    assert verify(announced.folder) == []


def test_a_log_that_was_deleted_by_hand_is_missed(announced):
    (announced.folder / "events.jsonl").unlink()

    (found,) = verify(announced.folder)

    assert found.file.endswith("events.jsonl")
    assert found.found == "gone, though shots were stored"


def test_a_spool_that_is_being_tidied_away_misses_nothing(announced, maker):
    for shot in SHOTS:
        announced.shot_path(shot).unlink()
    (announced.folder / "consolidated.json").write_text("")

    assert verify(announced.folder) == []


def test_a_run_file_made_without_an_announced_shot_says_so(announced, maker, tmp_path):
    """Its digests agree with what is in it, so only the events can tell."""
    announced._entries.pop(SHOTS[0])
    announced.shot_path(SHOTS[0]).unlink()
    path = announced.consolidate(
        tmp_path / "r.h5", document_json=None, state="complete", ended=maker.start
    )

    (found,) = verify(path)

    assert found.place == "/shots/00_reference_bare"
    assert "shot_stored says that it was stored" in found.found


def test_a_run_file_without_a_shot_of_its_plan_says_so(maker, run_file, tmp_path):
    """A stranger takes a plan with more shots, and seals and signs it all anew."""
    from acquire.runfile.consolidate import write_text
    from acquire.runfile.manifest import store_manifest, take_manifest

    def change(file):
        del file["plan"]
        write_text(file, "plan", PLAN, "plan.json")
        store_manifest(file, take_manifest(walk(file, tmp_path), tmp_path))

    found = verify(maker.edit(run_file, tmp_path / "b.h5", change))

    assert [(d.place, d.found) for d in found] == [
        ("/shots", "only 1 of 2 shots that the plan has with the role reference in the condition "
         "bare")
    ]  # fmt: skip


def test_captures_are_counted_and_an_added_reference_is_no_loss():
    taken = [("reference", "bare"), ("target", "choke"), ("floor", "shorted")]

    assert missing_captures(PLAN, [*taken, ("reference", "bare"), ("reference", "bare")]) == []
    assert len(missing_captures(PLAN, taken)) == 1
    assert len(missing_captures(PLAN, [])) == 2
    assert missing_captures("{", taken) == [
        "the plan cannot be read, so the shots cannot be counted"
    ]


def test_a_shot_that_is_stored_again_after_it_was_told_as_gone_counts_again():
    log = [("shot_stored", {"shot": "a"}), ("shot_gone", {"shot": "a"}), ("other", {})]

    assert missing_shots(log, set()) == []
    assert missing_shots([*log, ("shot_stored", {"shot": "a"})], set()) == ["a"]
    assert missing_shots([*log, ("shot_stored", {"shot": "a"})], {"a"}) == []
