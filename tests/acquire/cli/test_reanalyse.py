"""Other analysis choices become a recipe text that can be stored with the result."""

import pytest

from acquire.cli import names
from acquire.cli.reanalyse import with_choices
from acquire.errors import BadInputError
from acquire.recipe import load_recipe, parse_recipe


@pytest.fixture
def recipe():
    return load_recipe(names.locate("recipe", "bonding_lead"))


def test_only_the_choices_change(recipe):
    changed = with_choices(recipe, {"correction": "power", "coverage": 0.99, "margin": 6.0})

    assert changed.recipe.analysis.correction == "power"
    assert changed.recipe.analysis.coverage == pytest.approx(0.99)
    assert changed.recipe.analysis.margin == 6.0
    assert changed.recipe.analysis.measures == recipe.recipe.analysis.measures
    assert changed.recipe.acquisition == recipe.recipe.acquisition
    assert changed.recipe.limits == recipe.recipe.limits
    assert parse_recipe(changed.text, "again.yaml").recipe == changed.recipe


def test_no_change_is_the_same_recipe(recipe):
    assert with_choices(recipe, {}).sha256 == recipe.sha256


def test_a_recipe_without_an_analysis_block_gets_one(recipe):
    text = recipe.text.split("analysis:")[0]
    bare = parse_recipe(text, "bare.yaml")

    assert with_choices(bare, {"correction": "none"}).recipe.analysis.correction == "none"


def test_a_choice_that_does_not_exist_is_told(recipe):
    with pytest.raises(BadInputError, match="'powerful' is not one of"):
        with_choices(recipe, {"correction": "powerful"})


def test_a_block_in_another_style_is_replaced_too(recipe):
    head, _, tail = recipe.text.partition("analysis:\n")
    limits = tail[tail.index("limits:") :]
    flow = parse_recipe(
        f"{head}analysis: {{correction: none, margin: 4 dB}}\n{limits}", "flow.yaml"
    )

    changed = with_choices(flow, {"margin": 5.0})

    assert changed.recipe.analysis.margin == 5.0
    assert changed.recipe.analysis.correction == "none"
    assert changed.recipe.limits == flow.recipe.limits
