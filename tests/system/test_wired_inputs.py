"""`floorshot check` looks at wired inputs on a whole bench: true numbers, nothing left behind."""

import dataclasses
import math
from pathlib import Path

import pytest

from acquire.bench import parse_bench
from acquire.cli import simulated_profile
from acquire.recipe import parse_recipe
from acquire.run import preflight
from acquire.run.instruments import OVER_VISA, opened
from acquire.run.setup import ScopeSetup, connections
from acquire.run.wiring import look
from simulated_instruments.bench import SimulatedBench
from simulated_instruments.scenario import Scenario

RECIPE = Path(__file__).resolve().parents[2] / "profiles" / "recipes" / "bonding_lead.yaml"


@pytest.fixture(scope="module")
def recipe():
    return parse_recipe(RECIPE.read_text(), "bonding_lead.yaml")


def profile_of(bench):
    return parse_bench(simulated_profile.text(bench.resources), "bench.yaml")


# one family whose trigger is forced, one whose sweep is let free; nothing ever triggers
@pytest.mark.parametrize("dialect", ["tektronix", "rohde_schwarz"])
def test_every_input_is_named_and_the_scope_is_left_stopped_in_normal_sweep(
    dialect, recipe, tmp_path
):
    with SimulatedBench(seed=3, dialect=dialect) as bench:
        bench.faults.inject("no_trigger", count=1000)

        found = preflight.check(recipe, profile_of(bench), tmp_path)

        engine = bench.scope.acquisition
        assert engine.stopped()
        assert not engine.trigger.auto
    inputs = {f.subject: f for f in found if f.subject.startswith("input")}
    assert set(inputs) == {"input 1", "input 2"}
    assert [f.kind for f in found if f.kind != "ok"] == []
    assert all("no data" in f.text for f in inputs.values())
    assert list(tmp_path.iterdir()) == []


def test_noise_is_that_of_the_input(recipe):
    """Nothing but white noise at the input, the front end's on top of it, and the quantisation.

    Powers add; an ideal quantiser adds step / sqrt(12) (IEEE Std 1057, ideal quantisation noise).
    """
    clamp, *others = Scenario().inputs
    quiet = dataclasses.replace(clamp, pickup=0.0, carriers=())
    scenario = dataclasses.replace(Scenario(), inputs=(quiet, *others))
    with SimulatedBench(seed=3, scenario=scenario) as bench:
        bench.circuit.set_condition("probe_off")  # no current in the probe
        there = profile_of(bench)
        with opened(there, OVER_VISA) as instruments:
            bound = connections(recipe.recipe, there)
            setup = ScopeSetup(instruments.scope, recipe.recipe, bound)
            setup.configure()
            (seen,) = (found for found in look(setup) if found.quantity == "lead_current")
    model = bench.scope.model
    fixed, relative = model.noise
    compared = 0
    for one in seen.looks:
        analogue = math.hypot(quiet.ambient_noise, fixed, relative * one.vertical_range)
        step = one.vertical_range / model.levels
        if one.clipped or analogue < step / 2:  # below, the quantiser's noise is no longer white
            continue
        compared += 1
        assert one.noise == pytest.approx(math.hypot(analogue, step / math.sqrt(12)), rel=0.03), one
        assert abs(one.level) < model.offset_accuracy * one.vertical_range + step
    assert compared > 3
