"""Every wired input is looked at by name, at every range, without a trigger; nothing is kept."""

import math
from dataclasses import replace

import pytest

from acquire.run import wiring
from acquire.run.setup import ScopeSetup, connections
from acquire.run.wiring import MOST, InputSeen, Look, look, spread
from drivers.errors import LinkLostError, RequestError
from drivers.scope import AcquisitionStatus


@pytest.fixture
def setup(lab, recipe, bench):
    lab.closed = {101, 110}  # no current flows
    made = ScopeSetup(lab.openers.scope(), recipe.recipe, connections(recipe.recipe, bench))
    made.configure()
    return made


def seen(setup):
    return {found.quantity: found for found in look(setup)}


def test_every_input_is_seen_by_name_at_every_range_that_may_be_used(setup, lab):
    lab.noise = 20e-3
    found = seen(setup)

    assert set(found) == {"lead", "edge"}
    descending = list(reversed(setup.ranges("lead")))
    looked = [look.vertical_range for look in found["lead"].looks]
    assert looked == descending[: len(looked)]
    # no further down than it clips
    assert [look.clipped for look in found["lead"].looks[:-1]] == [False] * (len(looked) - 1)
    assert found["lead"].looks[-1].clipped or len(looked) == len(descending)
    # the trigger's range is never smaller than its level needs
    assert found["edge"].looks[-1].vertical_range >= setup.at_least("edge")
    text = str(found["lead"])
    assert "lead through clamp, recorded without a trigger, no data" in text
    assert found["lead"].channel == 1
    assert lab.count("initiate") == 0


def test_level_and_noise_are_those_of_the_input(setup, lab):
    """Noise of known rms, quantised: sqrt(rms**2 + gain**2 / 12), IEEE Std 1057, quantisation."""
    lab.noise = 20e-3
    for one in seen(setup)["lead"].looks:
        if not one.clipped:
            gain = one.vertical_range / 256
            if gain < lab.noise:  # else the quantisation noise is no longer uniform
                expected = math.hypot(lab.noise, gain / math.sqrt(12))
                assert one.noise == pytest.approx(expected, rel=0.1)
            assert abs(one.level) < 5e-3 + gain


def test_the_scope_is_left_as_it_was(setup):
    before = setup.full_scales()
    seen(setup)

    assert setup.full_scales() == before
    assert {q: s.vertical_range for q, s in setup.wanted.items()} == before


def test_a_dead_input_is_suspect(setup, lab):
    lab.noise = 0.0

    assert "not even noise at its smallest range" in seen(setup)["lead"].suspect


def test_an_input_that_clips_at_its_largest_range_is_suspect(setup, lab):
    lab.noise = 1000.0

    found = seen(setup)["lead"]
    assert "clips at its largest range" in str(found)
    assert found.looks[0].flat is False or found.looks[0].clipped


def test_no_record_is_said(setup, lab):
    lab.fail("record_untriggered", lambda: AcquisitionStatus.WAITING)

    found = seen(setup)["edge"]
    assert found.looks == ()
    assert "no record came" in found.suspect


def test_no_record_at_the_smaller_ranges_is_said(setup, lab):
    lab.noise = 1e-3
    lab.fail("record_untriggered", lambda: AcquisitionStatus.WAITING, after=2)

    found = seen(setup)["lead"]
    assert len(found.looks) == 2
    assert "no record came at the smaller ranges" in found.suspect


def test_an_input_held_at_its_end_is_not_taken_for_dead(setup, lab):
    """All codes the same, but at the end of a range: a level, not a missing input."""
    dead = Look(0.1, 0.05, 0.0, clipped=True, flat=True)
    alive = Look(1.0, 0.06, 1e-3, clipped=False, flat=False)

    assert InputSeen("lead", 1, "clamp", (alive, dead)).suspect == ""


def test_of_many_ranges_some_are_looked_at(lab, recipe, bench):
    many = tuple(8e-3 * 1.01**n for n in range(900))
    lab.closed = {101, 110}  # no current flows
    lab.profile = replace(lab.profile, vertical_ranges=many)
    lab.noise = 1e-4
    made = ScopeSetup(lab.openers.scope(), recipe.recipe, connections(recipe.recipe, bench))
    made.configure()

    looked = [one.vertical_range for one in seen(made)["lead"].looks]
    assert len(looked) == MOST
    assert (looked[0], looked[-1]) == (made.ranges("lead")[-1], made.ranges("lead")[0])
    assert spread([1.0, 2.0, 3.0, 4.0, 5.0], 3) == [1.0, 3.0, 5.0]


def test_of_long_records_few_are_taken(setup, lab, monkeypatch):
    """Thirteen records of five seconds would make a check nobody waits for."""
    lab.noise = 1e-4
    monkeypatch.setattr(wiring, "LONG", 2.5 * setup.recipe.acquisition.duration)

    assert len(seen(setup)["lead"].looks) == 2


@pytest.mark.parametrize("error", [RequestError("cannot"), LinkLostError("gone")])
def test_errors_reach_the_caller(setup, lab, error):
    lab.fail("record_untriggered", error)

    with pytest.raises(type(error)):
        seen(setup)


def test_a_small_scope_has_few_ranges(lab, recipe, bench):
    lab.profile = replace(lab.profile, vertical_ranges=(4.0, 8.0, 40.0))
    made = ScopeSetup(lab.openers.scope(), recipe.recipe, connections(recipe.recipe, bench))
    made.configure()

    assert len(seen(made)["edge"].looks) == 3
