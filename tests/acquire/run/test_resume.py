"""A broken run goes on with what is missing, or is refused; the break is seen in the result."""

import json
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from acquire.errors import DamagedFileError, ExitCode, RefusedError
from acquire.run import resume as module
from acquire.run.floors import sets_of_ranges
from acquire.run.plan import compile_plan
from acquire.run.resume import decide, resume, with_reference
from acquire.run.runner import run
from acquire.run.stop import StopFlag
from acquire.runfile import RunFile, Spool, verify
from acquire.runfile.coding import write_checked
from drivers.scope import AcquisitionState


@pytest.fixture
def broken(lab, recipe, bench, tmp_path):
    """Break a run off after some stored shots; return its spool."""

    def make(after, text=recipe):
        stop = StopFlag()
        stored = []

        def on_event(event):
            if event.name == "shot_stored":
                stored.append(event)
                if len(stored) == after:
                    stop.request("SIGINT at noon")

        outcome = run(
            text, bench, tmp_path / "runs", stop=stop, on_event=on_event, openers=lab.openers
        )
        assert outcome.exit_code is ExitCode.INTERRUPTED
        lab.done.clear()
        return outcome.spool

    return make


def structure(path):
    with RunFile.open(path) as file:
        return [
            (s.name, s.step, s.role, s.condition, s.ranges, s.repeats, s.samples)
            for s in file.shots()
        ]


@pytest.mark.parametrize("after", [1, 2, 3, 4, 5, 6])
def test_only_what_is_missing_is_taken_and_the_structure_is_that_of_an_unbroken_run(
    broken, bench, lab, recipe, tmp_path, after
):
    whole = run(recipe, bench, tmp_path / "whole", openers=lab.openers)
    folder = broken(after)
    seen = []

    outcome = resume(folder, bench=bench, openers=lab.openers, on_event=seen.append)

    assert outcome.exit_code is ExitCode.OK
    assert structure(outcome.path) == structure(whole.path)
    taken = [e.data["shot"] for e in seen if e.name == "shot_stored"]
    assert len(taken) == len(structure(whole.path)) - after
    assert not folder.exists()
    with RunFile.open(outcome.path) as file:
        names = [event.name for event in file.events()]
        started = [shot.header.started for shot in file.shots()]
    assert names.count("run_interrupted") == names.count("run_resumed") == 1
    assert started == sorted(started)
    assert sum("broken off" in remark for remark in outcome.result.remarks) == 1


def test_a_break_before_the_closing_reference_adds_nothing(broken, bench, lab):
    outcome = resume(broken(2), bench=bench, openers=lab.openers)

    (remark,) = [r for r in outcome.result.remarks if "broken off" in r]
    assert "the references before and after the break show what the source did" in remark


def test_what_the_source_did_in_the_break_is_in_the_drift(broken, bench, lab):
    folder = broken(2)
    lab.drift = lambda _arming: 0.7

    outcome = resume(folder, bench=bench, openers=lab.openers)

    drift = {d.measure: d for d in outcome.result.drift}
    assert drift["rms"].db == pytest.approx(-3.1, abs=0.2)
    assert not drift["rms"].within_allowance
    assert {r.attenuation.state for r in outcome.result.results} == {"invalid"}


def test_a_floor_visit_that_was_broken_off_goes_on_where_it_stopped(broken, bench, lab):
    folder = broken(5)

    outcome = resume(folder, bench=bench, openers=lab.openers)

    floors = [s for s in structure(outcome.path) if s[2] == "floor"]
    assert len({tuple(f[4].items()) for f in floors}) == len(floors)
    checked = [entry[1] for entry in lab.done if entry[0] == "resistance_4_wire"]
    assert set(checked) == {frozenset({101, 110}), frozenset({101})}  # the floor, and parked
    assert ("close_channels", (110,)) in lab.done


def test_a_condition_is_set_anew_because_nobody_knows_what_stands(broken, bench, lab):
    folder = broken(2)
    lab.closed = {103, 110}

    resume(folder, bench=bench, openers=lab.openers)

    first = next(i for i, entry in enumerate(lab.done) if entry[0] == "open_channels")
    assert lab.done[first] == ("open_channels", (110,))
    assert first < next(i for i, entry in enumerate(lab.done) if entry[0] == "initiate")
    # and its continuity is checked again
    assert lab.count("resistance_4_wire") == 3 * 4  # core, bare, off, and parked


def test_two_breaks_are_two_remarks(broken, bench, lab):
    folder = broken(1)
    stop = StopFlag()

    def on_event(event):
        if event.name == "shot_stored":
            stop.request("again")

    again = resume(folder, bench=bench, openers=lab.openers, stop=stop, on_event=on_event)
    assert again.exit_code is ExitCode.INTERRUPTED
    assert again.spool == folder

    outcome = resume(folder, bench=bench, openers=lab.openers)

    assert sum("broken off" in remark for remark in outcome.result.remarks) == 2


def test_another_bench_profile_is_refused(broken, lab, load_bench_text):
    folder = broken(1)
    other = load_bench_text({"site: a table": "site: another table"})

    with pytest.raises(RefusedError, match="not the bench profile that this run began with"):
        resume(folder, bench=other, openers=lab.openers)
    assert lab.done == []


def test_a_comment_in_the_bench_profile_changes_nothing(broken, lab, load_bench_text):
    folder = broken(1)
    same = load_bench_text({"site: a table": "site: a table # a remark"})

    assert resume(folder, bench=same, openers=lab.openers).exit_code is ExitCode.OK


def test_another_unit_is_refused(broken, bench, lab):
    folder = broken(1)
    lab.serial = "2"

    with pytest.raises(RefusedError, match=r"'FAKES,scope,2,1\.0' answers, but the run began with"):
        resume(folder, bench=bench, openers=lab.openers)
    assert lab.count("initiate") == 0


def test_other_settings_are_refused(broken, bench, lab):
    folder = broken(1)
    lab.readback = lambda w: (
        replace(w, record_length=2000, sample_rate=5e8) if isinstance(w, AcquisitionState) else w
    )

    with pytest.raises(RefusedError, match=r"record length 2000, before 1000; sample rate 5e\+08"):
        resume(folder, bench=bench, openers=lab.openers)


def test_a_clock_that_went_back_is_refused(broken, bench, lab, monkeypatch):
    folder = broken(1)

    class Earlier(datetime):
        @classmethod
        def now(cls, zone=None):
            return datetime.now(zone) - timedelta(hours=1)

    monkeypatch.setattr(module, "datetime", Earlier)

    with pytest.raises(RefusedError, match="set the clock"):
        resume(folder, bench=bench, openers=lab.openers)


def test_a_program_that_plans_otherwise_is_refused(broken, bench, lab, monkeypatch):
    folder = broken(1)
    monkeypatch.setattr("acquire.run.plan.RANGING_EVENTS", 7)

    with pytest.raises(RefusedError, match="compiles another plan"):
        resume(folder, bench=bench, openers=lab.openers)


def test_a_damaged_shot_is_named(broken, bench, lab):
    folder = broken(2)
    shot = folder / "shots" / "01_reference_bare.h5"
    data = bytearray(shot.read_bytes())
    data[len(data) // 2] ^= 1
    shot.write_bytes(data)

    with pytest.raises(DamagedFileError, match="01_reference_bare"):
        resume(folder, bench=bench, openers=lab.openers)


def test_no_spool_is_no_run(tmp_path, bench, lab):
    with pytest.raises(DamagedFileError, match="not a spooled run"):
        resume(tmp_path, bench=bench, openers=lab.openers)


@pytest.mark.parametrize("remains", ["all", "marker", "marker, no header", "an empty folder"])
def test_a_run_that_was_stored_before_it_was_tidied_is_only_tidied(broken, bench, lab, remains):
    folder = broken(6)
    copy = folder.with_name("copy")
    shutil.copytree(folder, copy)
    done = resume(folder, bench=bench, openers=lab.openers)
    if remains == "an empty folder":
        folder.mkdir()
    else:
        shutil.copytree(copy, folder)
    if "marker" in remains:
        write_checked(folder / "consolidated.json", "marker", str(done.path), "a test")
    if "no header" in remains:
        (folder / "header.json").unlink()
    lab.done.clear()

    again = resume(folder, openers=lab.openers)

    assert again.path == done.path
    assert again.exit_code == done.exit_code
    assert json.loads(again.document_json) == done.document
    assert "complete already" in again.reason
    assert lab.done == []
    assert not folder.exists()


def test_from_inside_the_spool_and_without_a_bench_profile(broken, lab, monkeypatch):
    """The stored profile is used; the run file comes beside the spool."""
    folder = broken(5)
    monkeypatch.chdir(folder)

    outcome = resume(Path(), openers=lab.openers)

    assert outcome.exit_code is ExitCode.OK
    assert outcome.path == folder.with_suffix(".h5")


def test_a_floor_that_somebody_removed_is_taken_again_at_its_own_ranges(broken, bench, lab):
    folder = broken(6)
    with Spool.open(folder, writable=False) as spool:
        floors = [entry for entry in spool.shots() if entry.role == "floor"]
    assert len(floors) == 2
    assert floors[0].ranges != floors[1].ranges
    (folder / "shots" / f"{floors[0].name}.h5").unlink()

    outcome = resume(folder, bench=bench, openers=lab.openers)

    with RunFile.open(outcome.path) as file:
        again = [entry.ranges for entry in file.shots() if entry.role == "floor"]
    assert again[:2] == [floors[1].ranges, floors[0].ranges]
    leads = [ranges["lead"] for ranges in again]
    assert sorted(leads) == sorted(set(leads))  # each range has one floor


@pytest.mark.parametrize("shot", ["01_reference_bare", "02_target_choke"])
def test_a_shot_that_somebody_removed_is_taken_again_and_told(broken, bench, lab, shot):
    folder = broken(4)
    (folder / "shots" / f"{shot}.h5").unlink()
    assert [d.file for d in verify(folder)] == [str(folder / "shots" / f"{shot}.h5")]

    outcome = resume(folder, bench=bench, openers=lab.openers)

    assert verify(outcome.path) == []
    with RunFile.open(outcome.path) as file:
        orders = [entry.order for entry in file.shots()]
        roles = [entry.role for entry in file.shots()]
    assert orders == sorted(set(orders))
    # with the target gone no reference would follow it, so one is added
    assert roles.count("reference") == (3 if "target" in shot else 2)
    (remark,) = [r for r in outcome.result.remarks if r.startswith(f"{shot} had been stored")]
    assert "it was taken again" in remark


def test_with_an_operator_only_what_is_missing_needs_a_hand(lab, recipe, by_hand, tmp_path):
    from acquire.errors import Interrupted
    from acquire.run.fixture import Confirmation

    states = {"bare": {101}, "choke": {102}, "core": {103}, "off": {110}}
    asked = []

    def gate(request):
        asked.append(request.condition)
        if len(asked) == 3:
            raise Interrupted("nobody came")
        lab.closed = states[request.condition]
        return Confirmation("a hand", datetime.now(UTC))

    broken = run(recipe, by_hand, tmp_path, gate=gate, openers=lab.openers)
    assert asked == ["bare", "choke", "core"]

    outcome = resume(broken.spool, bench=by_hand, gate=gate, openers=lab.openers)

    assert outcome.exit_code is ExitCode.OK
    assert asked[3:] == ["core", "bare", "off"]


# -- the decision ----------------------------------------------------------------------------------


@pytest.fixture
def stored(broken, recipe, bench):
    def make(after):
        with Spool.open(broken(after)) as spool:
            return spool.shots()

    return make


@pytest.mark.parametrize(
    ("after", "kind"),
    [
        (1, "reference follows"),
        (2, "reference follows"),
        (3, "no target missing"),
        (4, "no target missing"),
        (5, "no target missing"),
    ],
)
def test_what_a_break_means(stored, recipe, bench, after, kind):
    plan = compile_plan(recipe, bench)

    decision = decide(plan, stored(after))

    assert decision.kind == kind
    assert decision.plan == plan
    assert decision.text


def test_before_the_first_shot_there_is_nothing_to_decide(recipe, bench):
    assert decide(compile_plan(recipe, bench), ()).kind == "nothing stored"


@pytest.fixture
def open_ended(recipe, bench):
    """A plan whose last reference comes before its last target."""
    plan = compile_plan(recipe, bench)
    closing = [i for i, s in enumerate(plan.steps) if s.role == "reference"][-4:]
    return replace(plan, steps=tuple(s for i, s in enumerate(plan.steps) if i not in closing))


def test_where_no_reference_would_follow_one_is_added_after_the_last_target(open_ended, stored):
    decision = decide(open_ended, stored(1))

    assert decision.kind == "reference added"
    kinds = [(s.kind, s.role, s.condition) for s in decision.plan.steps]
    last = max(i for i, k in enumerate(kinds) if k[:2] == ("capture", "target"))
    assert kinds[last + 1 : last + 6] == [
        ("condition", "reference", "bare"),
        ("continuity", "reference", "bare"),
        ("ranging", "reference", "bare"),
        ("capture", "reference", "bare"),
        ("condition", "floor", "off"),
    ]
    assert decision.plan.steps[last + 3].reuse_ranges
    assert "one was added" in decision.text


def test_a_second_resume_finds_the_reference_that_the_first_added(open_ended, stored):
    shots = stored(2)

    first = decide(open_ended, shots)
    second = decide(open_ended, shots, added_before=True)

    assert second.plan == first.plan
    assert second.kind == "reference follows"


def test_the_added_reference_leaves_later_shots_their_condition(open_ended):
    # floor and last target in one condition, as where the floor needs no change
    steps = list(open_ended.steps)
    floor = next(i for i, s in enumerate(steps) if s.kind == "floor")
    del steps[floor - 2 : floor]

    extended = with_reference(replace(open_ended, steps=tuple(steps)))

    kinds = [(s.kind, s.condition) for s in extended.steps]
    added = [i for i, s in enumerate(extended.steps) if "added" in s.text]
    assert kinds[added[0] + 1 : added[0] + 3] == [("condition", "core"), ("continuity", "core")]


def test_an_added_reference_changes_no_stored_step(open_ended, stored):
    shots = stored(2)
    plan = decide(open_ended, shots).plan

    assert [plan.steps[s.step] for s in shots] == [open_ended.steps[s.step] for s in shots]
    assert sets_of_ranges(plan.quantities, shots, before_step=99, only_missing=False)
