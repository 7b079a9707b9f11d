"""Settings are written, read back, judged and kept."""

from dataclasses import replace

import pytest

from acquire.errors import InstrumentFault
from acquire.run.setup import ScopeSetup, connections, trigger_settings
from drivers.scope import AcquisitionState, ChannelSettings, TriggerSettings


@pytest.fixture
def setup(lab, recipe, bench):
    return make(lab, recipe, bench)


def make(lab, recipe, bench):
    scope = lab.openers.scope()
    return ScopeSetup(scope, recipe.recipe, connections(recipe.recipe, bench))


def asked(lab, name):
    return [entry[1] for entry in lab.done if entry[0] == name]


def test_the_recipe_reaches_the_scope(setup, lab):
    setup.configure()

    channels = {c.channel: c for c in asked(lab, "configure_channel")}
    # 1 A through 1 ohm at 90 %: 2.22 V needed, 4 V is the next range
    assert channels[1] == ChannelSettings(1, 4.0, input_impedance=50.0)
    assert channels[2].vertical_range == pytest.approx(40.0)
    assert not channels[3].enabled
    assert not channels[4].enabled
    assert asked(lab, "configure_edge_trigger") == [TriggerSettings(2, 0.5, "positive")]
    assert setup.acquisition.record_length == 1000
    assert [r.quantity for r in setup.records()] == ["lead", "edge"]


def test_no_range_beyond_what_the_50_ohm_input_survives(setup):
    assert max(setup.ranges("lead")) <= 2 * 5.0
    assert max(setup.ranges("edge")) == pytest.approx(40.0)


def test_an_input_that_survives_no_range_is_refused(lab, recipe, load_bench_text):
    setup = make(lab, recipe, load_bench_text({"maximum_input: 5 V": "maximum_input: 1 mV"}))

    with pytest.raises(InstrumentFault, match=r"lead: every range .* put an attenuator before it"):
        setup.ranges("lead")


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        (lambda w: replace(w, vertical_range=1.0), "the range reads back 1 V, not 4 V"),
        (lambda w: replace(w, input_impedance=1e6), "input impedance reads back 1 Mohm, not 50 o"),
        (lambda w: replace(w, coupling="AC"), "the coupling reads back AC, not DC"),
        (lambda w: replace(w, enabled=False), "channel 1 reads back as switched off"),
    ],
)
def test_a_channel_that_reads_back_wrong_is_a_fault(setup, lab, wrong, says):
    lab.readback = lambda w: wrong(w) if isinstance(w, ChannelSettings) and w.channel == 1 else w

    with pytest.raises(InstrumentFault, match=says):
        setup.configure()


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        (lambda w: replace(w, sample_rate=1e8), r"at 100 MSa/s; the recipe asks for at least 250"),
        (lambda w: replace(w, time_per_record=1e-6), r"a record covers 1 us"),
    ],
)
def test_a_record_that_falls_short_is_a_fault(setup, lab, wrong, says):
    lab.readback = lambda w: wrong(w) if isinstance(w, AcquisitionState) else w

    with pytest.raises(InstrumentFault, match=says):
        setup.configure()


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        (lambda w: replace(w, level=2.0), "the trigger level reads back 2 V, not 500 mV"),
        (lambda w: replace(w, slope="negative"), r"the trigger reads back .*slope='negative'"),
        (lambda w: replace(w, source=1), r"the trigger reads back .*source=1"),
    ],
)
def test_a_trigger_that_reads_back_wrong_is_a_fault(setup, lab, wrong, says):
    lab.readback = lambda w: wrong(w) if isinstance(w, TriggerSettings) else w

    with pytest.raises(InstrumentFault, match=says):
        setup.configure()


def test_a_new_range_of_the_triggering_quantity_sets_the_trigger_anew(setup, lab):
    setup.configure()
    lab.done.clear()

    setup.set_ranges({"lead": 4.0, "edge": 4.0})
    setup.set_ranges({"lead": 0.4, "edge": 4.0})

    names = [entry[0] for entry in lab.done]
    assert names == ["configure_channel", "configure_edge_trigger", "configure_channel"]
    assert setup.full_scales() == {"lead": 0.4, "edge": 4.0}


def test_the_trigger_level_is_in_volts_at_the_input(recipe, bench, load_recipe_text):
    bound = connections(recipe.recipe, bench)
    assert trigger_settings(recipe.recipe, bound).level == pytest.approx(0.5)

    outside = load_recipe_text({"source: edge, level: 5 V": "source: external, level: 1 V"}).recipe
    assert trigger_settings(outside, bound) == TriggerSettings("external", 1.0, "positive")


def test_segments_where_the_scope_has_them(segmented, recipe, bench):
    setup = make(segmented, recipe, bench)
    setup.configure()

    assert setup.set_segments(4) == 4
    assert setup.set_segments(4) == 4
    assert setup.set_segments(1) == 1
    assert [r.segments for r in asked(segmented, "configure_acquisition")] == [1, 4, 1]


def test_one_by_one_where_it_has_none(setup):
    setup.configure()

    assert setup.set_segments(4) == 1


def test_one_by_one_where_the_driver_refuses_segments(segmented, recipe, bench, impossible):
    setup = make(segmented, recipe, bench)
    setup.configure()
    segmented.fail("configure_acquisition", impossible)

    assert setup.set_segments(4) == 1


def test_one_by_one_where_segments_would_cost_samples(segmented, recipe, bench):
    setup = make(segmented, recipe, bench)
    setup.configure()
    segmented.readback = lambda w: (
        replace(w, record_length=500) if isinstance(w, AcquisitionState) and w.segments > 1 else w
    )

    assert setup.set_segments(4) == 1
    assert setup.acquisition.record_length == 1000


def test_after_a_lost_link_everything_is_written_again_and_reads_back_the_same(setup, lab):
    setup.configure()
    setup.set_ranges({"lead": 0.4})
    words = setup.snapshot()
    lab.done.clear()

    assert setup.reapply() == {}

    assert lab.count("reset") == 1
    assert setup.full_scales()["lead"] == 0.4
    assert setup.snapshot() == words


def test_settings_that_do_not_come_back_are_a_fault(setup, lab):
    setup.configure()
    lab.readback = lambda w: (
        replace(w, vertical_offset=0.1) if isinstance(w, ChannelSettings) else w
    )

    with pytest.raises(InstrumentFault, match="after the link was lost it reads back"):
        setup.reapply()


def test_a_fault_half_way_through_new_ranges_leaves_the_old_ones_in_force(setup, lab, lost):
    """What is compared after the link came back is what stood before, not half of the new."""
    setup.configure()
    before = setup.full_scales()
    lab.fail("configure_channel", lost, after=1)

    with pytest.raises(type(lost)):
        setup.set_ranges({"lead": 8.0, "edge": 80.0})

    assert setup.full_scales() == before
    assert setup.reapply() == {}
    setup.set_ranges({"lead": 8.0, "edge": 80.0})
    assert setup.full_scales() == {"lead": 8.0, "edge": 80.0}
