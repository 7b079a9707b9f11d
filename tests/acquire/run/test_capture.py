"""A shot is stored whole, or taken again."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from acquire.errors import InstrumentFault
from acquire.run.acquirer import Acquirer
from acquire.run.capture import Capturer, ShotSpec
from acquire.run.clock import RunClock
from acquire.run.evaluation import transducers_of
from acquire.run.events import Emitter
from acquire.run.setup import ScopeSetup, connections
from acquire.run.stop import StopFlag
from acquire.runfile import RunHeader, Spool


@pytest.fixture
def told():
    return []


@pytest.fixture
def capturer(lab, recipe, bench, told, tmp_path):
    setup = ScopeSetup(lab.openers.scope(), recipe.recipe, connections(recipe.recipe, bench))
    setup.configure()
    now = datetime.now(UTC)
    header = RunHeader(
        "run", "site", "r", "t", "0" * 64, "b", "t", "0" * 64, {}, "{}", "0" * 64, "x 1", now
    )
    acquirer = Acquirer(setup, Emitter(told.append), RunClock(now), StopFlag(), bench.bench.retry)
    with Spool.create(tmp_path / "run.spool", header) as spool:
        yield Capturer(acquirer, spool)


def spec(role="target", ranges=None, **changes):
    found = ShotSpec("01_target_choke", 0, 4, role, "choke", 4, ranges or {})
    return replace(found, **changes)


def reasons(told):
    return [e.data["reason"] for e in told if e.name == "shot_retaken"]


def test_a_good_shot_is_durable_when_it_returns(capturer, told):
    shot = capturer.take(spec())

    (entry,) = capturer.spool.shots()
    assert entry == shot.entry
    assert capturer.spool.shot_path(entry.name).is_file()
    assert entry.header.attempt == 1
    assert entry.header.settings["range1"] == "4"
    assert entry.quality.faults == ()
    assert [e.name for e in told] == ["shot_started", *["record_taken"] * 4, "shot_stored"]
    assert shot.peaks["lead"] == pytest.approx(1.0, abs=0.1)


def test_a_clipped_target_is_taken_again_one_range_higher(capturer, told, lab):
    shot = capturer.take(spec(ranges={"lead": 1.6}))

    assert shot.entry.ranges["lead"] == pytest.approx(4.0)
    assert shot.entry.header.attempt == 2
    assert shot.entry.quality.clipped == {}
    assert reasons(told) == ["clipped: lead"]


def test_one_clipped_record_condemns_the_whole_shot(capturer, lab):
    # only the third event is large; a shot without it would make the source look smaller
    lab.drift = lambda arming: 2.5 if arming == 3 else 1.0

    shot = capturer.take(spec(ranges={"lead": 4.0}))

    assert shot.entry.ranges["lead"] == pytest.approx(8.0)
    assert lab.armings == 3 + 4


def test_a_clipped_floor_stays_at_its_range_and_is_stored_with_a_fault(capturer, told):
    shot = capturer.take(spec("floor", {"lead": 1.6}))

    assert shot.entry.ranges["lead"] == pytest.approx(1.6)
    assert shot.entry.quality.clipped["lead"] > 0
    assert "lead clipped in every try (3), last at a range of 1.6 V" in shot.entry.quality.faults
    assert reasons(told) == ["clipped: lead"] * 2


def test_what_clips_at_the_largest_range_is_stored_with_a_fault(capturer, lab):
    lab.peaks[101] = 9.0

    shot = capturer.take(spec(ranges={"lead": 8.0}))

    assert shot.entry.quality.faults
    assert shot.entry.ranges["lead"] == pytest.approx(8.0)


def test_a_lost_link_costs_the_shot_not_the_run(capturer, told, lab, lost):
    lab.fail("fetch", lost, after=5)

    shot = capturer.take(spec())

    assert shot.entry.header.attempt == 2
    assert shot.entry.repeats == 4
    assert lab.armings == 3 + 4
    assert "the connection broke" in reasons(told)[0]
    assert len(capturer.spool.shots()) == 1


def test_faults_and_clipping_do_not_use_up_each_others_tries(capturer, lab, lost):
    for after in (1, 2):
        lab.fail("fetch", lost, after=after)

    shot = capturer.take(spec(ranges={"lead": 0.8}))

    assert shot.entry.ranges["lead"] == pytest.approx(4.0)
    assert shot.entry.quality.faults == ()
    assert shot.entry.header.attempt == 5


def test_tries_are_bounded_and_nothing_partial_is_left(capturer, lab, lost):
    for _ in range(3):
        lab.fail("fetch", lost, after=3)

    with pytest.raises(
        InstrumentFault, match=r"01_target_choke failed 3 times, .*connection broke"
    ):
        capturer.take(spec())

    assert capturer.spool.shots() == ()
    assert not list(capturer.spool.folder.glob("shots/*"))


def test_a_change_of_scaling_within_the_shot_is_not_stored(capturer, told, lab):
    lab.fail("fetch", lambda: lambda trace: replace(trace, gain=trace.gain * 2), after=4)

    capturer.take(spec())

    assert "the gain changed" in reasons(told)[0]


def test_a_record_without_its_edge_is_not_stored(capturer, told, lab):
    lab.fail("fetch", lambda: lambda t: replace(t, codes=np.zeros_like(t.codes)), after=3)

    capturer.take(spec(ranges={"edge": 4.0}))

    assert "no edge through 500 mV at time zero" in reasons(told)[0]


def test_a_stale_record_is_not_stored(capturer, told, lab):
    kept = {}

    def keep(trace):
        kept[len(kept)] = trace
        return trace

    for _ in range(2):
        lab.fail("fetch", lambda: keep)
    for n in range(2):
        lab.fail("fetch", lambda n=n: lambda _t: kept[n], after=0)

    capturer.take(spec())

    assert "stale" in reasons(told)[0]


def test_the_margin_above_a_known_floor_is_shown(capturer, told, lab):
    lab.closed = {101, 110}
    capturer.take(spec("floor", name="01_floor_off"))
    lab.closed = {101}
    capturer.take(spec(name="02_target_choke", order=1))

    margins = [e.data["floor_margin_db"] for e in told if e.name == "record_taken"]
    assert margins[0] == {"lead": None, "edge": None}
    assert margins[-1]["lead"] > 30
    assert abs(margins[-1]["edge"]) < 1


@pytest.mark.parametrize("several", [1, 3, 100])
def test_segments_and_one_by_one_leave_the_same_kind_of_shot(capturer, lab, recipe, bench, several):
    capturer.acquirer.setup.scope.profile = replace(lab.profile, maximum_segments=several)

    capturer.take(spec(repeats=7))

    lead, edge = capturer.spool.captures(transducers_of(recipe.recipe, bench))
    assert lead.codes.shape == edge.codes.shape == (7, 1000)
    assert (np.diff(lead.trigger_time) > 0).all()
    assert np.array_equal(lead.trigger_time, edge.trigger_time)
    assert len({row.tobytes() for row in lead.codes}) == 7
    assert lab.armings == -(-7 // several)
