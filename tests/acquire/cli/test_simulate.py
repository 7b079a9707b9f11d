"""What a hand can set on the simulated bench is what the shipped recipes ask a hand for."""

import pytest

from acquire.cli import names
from acquire.cli.simulate import conditions_of
from acquire.recipe import load_recipe
from simulated_instruments.bench import SimulatedBench


@pytest.mark.parametrize("name", names.shipped("recipe"))
def test_every_condition_of_a_shipped_recipe_can_be_set_by_hand(name):
    wanted = load_recipe(names.locate("recipe", name)).recipe.conditions

    assert set(wanted) <= set(conditions_of(SimulatedBench(seed=1)))
