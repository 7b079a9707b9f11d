"""Other analysis choices become a recipe text that can be stored with the result."""

import pytest

from acquire.cli import invoke, names
from acquire.cli.reanalyse import require_measures_of_limits, with_choices
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


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--correction", "powr"], "there is no correction 'powr'; did you mean 'power'?"),
        (["--measure", "band_z"], "there is no measure 'band_z'; did you mean 'band_"),
        (["--coverage", "99"], "has no unit; write it in %"),
    ],
)
def test_a_wrong_choice_is_told_as_one_before_the_file_is_read(arguments, told, tmp_path, capsys):
    path = tmp_path / "a.h5"
    path.write_bytes(b"never read")

    assert invoke(["reanalyse", str(path), *arguments]) == 2
    assert told in " ".join(capsys.readouterr().err.split())


def test_a_measure_that_a_limit_needs_cannot_be_left_out(recipe):
    with pytest.raises(BadInputError, match=r"sets limits on rms.*add --measure rms, or give"):
        require_measures_of_limits(recipe, ("peak_to_peak",))

    require_measures_of_limits(recipe, ("peak_to_peak", "rms"))
    require_measures_of_limits(recipe, ())
