"""Ranging on (fake) instruments: few looks, no clipping at the end, nothing stored."""

from datetime import UTC, datetime

import pytest

from acquire.run.acquirer import Acquirer
from acquire.run.clock import RunClock
from acquire.run.events import Emitter
from acquire.run.plan import RANGING_EVENTS
from acquire.run.rangefinder import MOST_TRIES, find_ranges
from acquire.run.setup import ScopeSetup, connections
from acquire.run.stop import StopFlag


@pytest.fixture
def told():
    return []


@pytest.fixture
def acquirer(lab, recipe, bench, told):
    setup = ScopeSetup(lab.openers.scope(), recipe.recipe, connections(recipe.recipe, bench))
    setup.configure()
    clock = RunClock(datetime.now(UTC))
    return Acquirer(setup, Emitter(told.append), clock, StopFlag(), bench.bench.retry)


@pytest.mark.parametrize(
    ("peak", "found"), [(1.0, 4.0), (0.1, 0.4), (0.01, 0.04), (0.0, 0.008), (3.0, 8.0)]
)
def test_each_level_gets_the_range_that_it_fills(acquirer, lab, told, peak, found):
    lab.peaks[101], lab.noise = peak, 0.2e-3

    ranges = find_ranges(acquirer, "a test")

    assert ranges["lead"] == pytest.approx(found)
    chosen = {e.data["quantity"]: e.data for e in told if e.name == "range_chosen"}
    assert set(chosen) == {"lead", "edge"}
    assert chosen["lead"]["fill"] <= 0.9
    looks = lab.count("initiate") / RANGING_EVENTS
    assert looks <= 5
    assert acquirer.setup.full_scales() == ranges


def test_a_signal_beyond_every_allowed_range_ends_at_the_largest(acquirer, lab, told):
    lab.peaks[101] = 9.0

    assert find_ranges(acquirer, "a test")["lead"] == pytest.approx(8.0)

    last = [e.data for e in told if e.name == "range_chosen" and e.data["quantity"] == "lead"][-1]
    assert "clips at the largest range" in last["reason"]


def test_the_triggering_quantity_keeps_its_level_inside(acquirer):
    ranges = find_ranges(acquirer, "a test", {"edge": 40.0})

    assert ranges["edge"] / 2 > acquirer.setup.trigger.level


def test_ranging_ends_on_a_scope_that_rounds_ranges_in_its_own_way(acquirer, lab):
    # asked for 0.4 V it says 0.404 V, and so on: the request, not the answer, must decide
    from dataclasses import replace

    from drivers.scope import ChannelSettings

    lab.readback = lambda w: (
        replace(w, vertical_range=w.vertical_range * 1.01) if isinstance(w, ChannelSettings) else w
    )
    lab.peaks[101] = 0.1

    assert find_ranges(acquirer, "a test")["lead"] == pytest.approx(0.404)
    assert lab.count("initiate") / RANGING_EVENTS < MOST_TRIES


def test_a_lost_link_begins_ranging_again(acquirer, lab, told, lost):
    lab.fail("fetch", lost, after=3)

    ranges = find_ranges(acquirer, "a test")

    assert ranges["lead"] == pytest.approx(4.0)
    assert [e.name for e in told][:2] == ["instrument_failed", "link_recovered"]
