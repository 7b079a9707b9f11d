"""Whole runs with fake instruments: what is refused, what is kept, what comes out."""

import json
from datetime import UTC, datetime

import pytest

from acquire.errors import (
    BadInputError,
    BusyError,
    ExitCode,
    InstrumentFault,
    Interrupted,
    RefusedError,
)
from acquire.run.events import EVENTS
from acquire.run.fixture import Confirmation
from acquire.run.instruments import resources
from acquire.run.lock import BenchLock
from acquire.run.runner import run
from acquire.run.stop import StopFlag
from acquire.runfile import RunFile, Spool
from drivers.errors import LinkLostError, TimedOutError


class Runs:
    """Runs recipes in one folder, and keeps the events."""

    def __init__(self, lab, folder):
        self.lab, self.folder, self.events = lab, folder, []

    def __call__(self, recipe, bench, **options):
        listener = options.pop("on_event", lambda _event: None)

        def on_event(event):
            self.events.append(event)
            listener(event)

        output = options.pop("output", self.folder)
        return run(recipe, bench, output, on_event=on_event, openers=self.lab.openers, **options)

    def named(self, name):
        return [event.data for event in self.events if event.name == name]


@pytest.fixture
def runs(lab, tmp_path):
    return Runs(lab, tmp_path / "runs")


SHOTS = [
    "01_reference_bare",
    "02_target_choke",
    "03_target_core",
    "04_reference_bare",
    "05_floor_off",
    "06_floor_off",
]


def test_a_whole_run(runs, recipe, bench, lab):
    outcome = runs(recipe, bench)

    assert outcome.exit_code is ExitCode.OK
    assert outcome.state == "complete"
    assert outcome.spool is None
    assert [p.suffix for p in runs.folder.iterdir()] == [".h5"]
    assert [data["shot"] for data in runs.named("shot_stored")][:4] == SHOTS[:4]
    assert lab.closed == {101}
    assert lab.opened == 0
    with RunFile.open(outcome.path) as file:
        assert file.state == "complete"
        assert json.loads(file.document) == outcome.document
        assert file.header.plan_sha256 == json.loads(outcome.document_json)["run"]["plan_sha256"]
        stored = [event.name for event in file.events()]
        floors = {s.ranges["lead"] for s in file.shots() if s.role == "floor"}
        used = {s.ranges["lead"] for s in file.shots() if s.role != "floor"}
    assert floors == used
    assert "record_taken" not in stored
    assert stored[0] == "run_started"
    assert stored[-1] == "run_stored"
    assert {event.name for event in runs.events} <= set(EVENTS)


def test_the_result_is_that_of_the_quantity_that_is_evaluated(runs, recipe, bench):
    outcome = runs(recipe, bench)

    assert {r.quantity for r in outcome.result.results} == {"lead"}
    attenuation = {
        r.condition: r.attenuation.db for r in outcome.result.results if r.measure == "rms"
    }
    assert attenuation["choke"] == pytest.approx(20.0, abs=0.3)
    assert attenuation["core"] == pytest.approx(3.1, abs=0.3)


def test_every_record_is_shown_with_its_margin_once_a_floor_is_known(runs, load_recipe_text, bench):
    shots = "  - {role: floor, condition: off}\n"
    twice = load_recipe_text(
        {"  - {role: target, condition: core}\n": "  - {role: target, condition: core}\n" + shots}
    )

    runs(twice, bench)

    records = [data for data in runs.named("record_taken") if data["shot"] == SHOTS[0]]
    assert [data["repeat"] for data in records] == [1, 2, 3, 4]
    assert records[0]["repeats"] == 4
    assert records[0]["floor_margin_db"] == {"lead": None, "edge": None}
    later = [d for d in runs.named("record_taken") if "_reference_" in d["shot"]][-1]
    assert later["floor_margin_db"]["lead"] > 20
    assert records[0]["seconds_left"] >= later["seconds_left"]


def test_references_share_their_ranges(runs, recipe, bench, lab):
    lab.drift = lambda arming: 0.9 if arming > 25 else 1.0

    runs(recipe, bench)

    ranges = [d["ranges"] for d in runs.named("shot_stored") if d["role"] == "reference"]
    assert ranges[0] == ranges[1]


def test_recipe_and_bench_that_do_not_fit_contact_nothing(runs, recipe, load_bench_text, lab):
    with pytest.raises(BadInputError, match="no condition 'core'"):
        runs(recipe, load_bench_text({", core: [103]": ""}))

    assert lab.done == []
    assert not runs.folder.exists()


def test_a_hand_without_a_terminal_contacts_nothing(runs, recipe, by_hand, lab):
    with pytest.raises(RefusedError, match="no terminal to ask the operator on"):
        runs(recipe, by_hand)

    assert lab.done == []


def test_an_operator_is_asked_once_for_each_change(runs, recipe, by_hand, lab):
    asked = []

    def gate(request):
        asked.append((request.number, request.of, request.condition, request.previous))
        assert any("kill" in text for text in request.cautions)
        lab.closed = {"bare": {101}, "choke": {102}, "core": {103}, "off": {110}}[request.condition]
        return Confirmation("a hand", datetime.now(UTC))

    outcome = runs(recipe, by_hand, gate=gate)

    assert outcome.exit_code is ExitCode.OK
    assert asked == [
        (1, 5, "bare", None),
        (2, 5, "choke", "bare"),
        (3, 5, "core", "choke"),
        (4, 5, "bare", "core"),
        (5, 5, "off", "bare"),
    ]
    assert [data["by"] for data in runs.named("gate_confirmed")] == ["a hand"] * 5
    assert runs.named("fixture_parked") == []


def test_a_gate_that_nobody_comes_to_sets_the_run_aside(runs, recipe, by_hand):
    def gate(_request):
        raise Interrupted("nobody came within 600 s")

    outcome = runs(recipe, by_hand, gate=gate)

    assert outcome.exit_code is ExitCode.INTERRUPTED
    assert "nobody came" in outcome.reason
    assert runs.named("shot_stored") == []


def test_a_run_file_is_never_overwritten(runs, recipe, bench, lab, tmp_path):
    mine = tmp_path / "mine.h5"
    mine.write_text("precious")

    with pytest.raises(RefusedError, match=r"mine\.h5 exists and is never overwritten"):
        runs(recipe, bench, output=mine)

    assert lab.done == []
    assert mine.read_text() == "precious"


def test_a_file_name_of_ones_own(runs, recipe, bench, tmp_path):
    outcome = runs(recipe, bench, output=tmp_path / "mine.h5")

    assert outcome.path == tmp_path / "mine.h5"
    assert outcome.path.exists()


def test_a_busy_bench_is_refused_before_it_is_contacted(runs, recipe, bench, lab):
    with BenchLock(resources(bench)), pytest.raises(BusyError):
        runs(recipe, bench)

    assert lab.done == []


def test_an_instrument_that_does_not_answer_leaves_nothing_behind(runs, recipe, bench, lab):
    lab.fail("ohmmeter.open", LinkLostError("nothing listens there", instrument="ohmmeter (x)"))

    with pytest.raises(InstrumentFault, match=r"ohmmeter \(x\): nothing listens there"):
        runs(recipe, bench)

    assert lab.opened == 0
    assert not list(runs.folder.parent.glob("runs/*"))
    with BenchLock(resources(bench)):
        pass


@pytest.mark.parametrize("after", [0, 3, 20, 40])
def test_a_stop_keeps_what_was_taken_and_parks_the_relays(runs, recipe, bench, lab, after):
    stop = StopFlag()
    seen = []

    def on_event(event):
        seen.append(event)
        if len(seen) == after + 30:
            stop.request("SIGINT at noon")

    outcome = runs(recipe, bench, stop=stop, on_event=on_event)

    assert outcome.exit_code is ExitCode.INTERRUPTED
    assert outcome.state == "interrupted"
    assert "floorshot resume" in outcome.reason
    assert lab.closed == {101}
    assert lab.opened == 0
    with Spool.open(outcome.spool) as spool:
        assert spool.found.discarded == ()
        told = [event.name for event in spool.events.read()]
        assert len(spool.shots()) == told.count("shot_stored")
    assert told[-1] == "run_interrupted"
    assert "fixture_parked" in told


def test_a_stop_before_anything_was_taken_leaves_nothing(runs, recipe, bench):
    stop = StopFlag()
    stop.request("SIGTERM")

    with pytest.raises(Interrupted, match="nothing was taken yet"):
        runs(recipe, bench, stop=stop)

    assert not list(runs.folder.parent.glob("runs/*"))


def test_a_fault_that_stays_keeps_the_run_and_says_how_to_go_on(runs, recipe, bench, lab):
    def dead():
        raise TimedOutError("no answer", instrument="scope (FAKE)")

    for _ in range(20):
        lab.fail("fetch", dead, after=25)
    folders = []

    outcome = runs(recipe, bench, on_spool=folders.append)

    assert outcome.exit_code is ExitCode.FAULT
    assert outcome.state == "faulted"
    assert "no answer" in outcome.reason
    assert folders == [outcome.spool]
    assert lab.closed == {101}
    assert runs.named("run_faulted")


def test_a_failed_continuity_check_stops_with_the_path_closed_through_bare(
    runs, recipe, bench, lab
):
    lab.resistance = lambda closed: 0.3 if 102 in closed else 0.02

    outcome = runs(recipe, bench)

    assert outcome.exit_code is ExitCode.FAULT
    assert "300 mohm" in outcome.reason
    assert lab.closed == {101}
    assert runs.named("continuity_measured")[1]["passed"] is False
    assert [d["shot"] for d in runs.named("shot_stored")] == [SHOTS[0]]


def test_a_limit_that_is_not_met_ends_with_1(runs, load_recipe_text, bench):
    strict = load_recipe_text({"attenuation_at_least: 10 dB": "attenuation_at_least: 40 dB"})

    assert runs(strict, bench).exit_code is ExitCode.LIMIT_NOT_MET


def test_a_stuck_relay_is_seen_by_the_level_of_the_shots(runs, recipe, bench, lab):
    lab.peaks[102] = 1.0

    outcome = runs(recipe, bench)

    assert "is not in circuit" in runs.named("level_suspect")[0]["text"]
    assert any("is not in circuit" in remark for remark in outcome.result.remarks)
