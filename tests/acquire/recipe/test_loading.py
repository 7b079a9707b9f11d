"""Recipes from files: what they become, their hash, and every mistake as a person sees it."""

import random
from pathlib import Path

import pytest
import yaml
from jsonschema import Draft202012Validator

from acquire.analysis.measures import MEASURES
from acquire.errors import BadInputError, ExitCode
from acquire.quantities import Physical
from acquire.recipe import json_schema, load_recipe, parse_recipe

BAD = Path(__file__).parent / "bad"


def test_the_shipped_recipe_means_what_it_says(text):
    loaded = parse_recipe(text, "some/folder/bonding_lead.yaml")
    recipe = loaded.recipe

    assert loaded.name == "bonding_lead.yaml"
    assert loaded.text == text
    assert recipe.acquisition.duration == 40e-6
    assert recipe.acquisition.minimum_sample_rate == 250e6
    assert recipe.acquisition.trigger.level == Physical(0.0, "V")
    assert recipe.quantities["lead_current"].expected_peak == Physical(1.3, "A")
    assert [shot.role for shot in recipe.shots] == [
        "reference",
        *["target"] * 3,
        "reference",
        "floor",
    ]
    assert recipe.analysis.coverage == 0.95
    assert recipe.conductor.continuity_limit == 0.1
    assert recipe.limits[0].attenuation_at_least == 20.0


@pytest.mark.parametrize("path", sorted(BAD.glob("*.yaml")), ids=lambda path: path.stem)
def test_every_mistake_is_told_in_these_words(path, monkeypatch):
    """The text beside each wrong file was read by eye, line by line, before it was kept."""
    monkeypatch.chdir(BAD)
    with pytest.raises(BadInputError) as caught:
        load_recipe(path.name)

    assert f"{caught.value}\n" == path.with_suffix(".txt").read_text(encoding="utf-8")
    assert caught.value.exit_code == ExitCode.BAD_INPUT


def test_five_mistakes_are_five_problems_each_with_line_and_column():
    with pytest.raises(BadInputError) as caught:
        load_recipe(BAD / "five_mistakes.yaml")

    assert len(caught.value.problems) == 5
    assert all(p.line and p.column and p.field and p.excerpt for p in caught.value.problems)


def test_a_missing_file_is_told(tmp_path):
    with pytest.raises(BadInputError, match="cannot be read: No such file"):
        load_recipe(tmp_path / "none.yaml")


# -- the hash --------------------------------------------------------------------------------------


def shuffled(value, order):
    """The same mappings with their keys in another order."""
    if isinstance(value, dict):
        keys = list(value)
        order.shuffle(keys)
        return {key: shuffled(value[key], order) for key in keys}
    return [shuffled(item, order) for item in value] if isinstance(value, list) else value


@pytest.mark.parametrize("seed", range(5))
def test_layout_and_order_do_not_change_the_hash(text, data, seed):
    other = yaml.safe_dump(
        shuffled(data, random.Random(seed)),
        sort_keys=False,
        default_flow_style=bool(seed % 2),
        width=60,
    )

    assert other != text
    assert parse_recipe(other, "other").sha256 == parse_recipe(text, "x").sha256


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("duration: 40 us", "duration: 0.04 ms"),
        ("duration: 40 us", "duration: 40e-6 s"),
        ("250 MS/s", "0.25 GSa/s"),
        ("level: 0 V", "level: -0 mV"),
        ("coverage: 95 %", "coverage: 0.95"),
        ("  continuity_limit: 0.1 ohm\n", ""),
        ("repeats: 32", "repeats: 32\n  require_valid_calibration: false"),
        ("  correction: auto", "  correction: auto # as usual"),
        ("duration: 40 us\n", "duration: 40 us\r\n"),
    ],
)
def test_spelling_does_not_change_the_hash(text, old, new):
    assert old in text
    assert parse_recipe(text.replace(old, new), "x").sha256 == parse_recipe(text, "x").sha256


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("duration: 40 us", "duration: 40.000001 us"),
        ("coverage: 95 %", "coverage: 94 %"),
        ("slope: positive", "slope: negative"),
        ("{role: target, condition: damped_choke}", "{role: target, condition: air_coil}"),
        ("Bonding lead", "Bonding Lead"),
        ("0.1 ohm", "0.2 ohm"),
    ],
)
def test_meaning_changes_the_hash(text, old, new):
    bare = text[: text.index("\nlimits:")]  # so that a condition can be exchanged

    assert old in bare
    changed = parse_recipe(bare.replace(old, new, 1), "x")
    assert changed.sha256 != parse_recipe(bare, "x").sha256


def test_the_hash_of_the_shipped_recipe_is_stable(tmp_path, text):
    """The same in another process and from another place: nothing but what is said goes in."""
    copy = tmp_path / "copy.yaml"
    copy.write_text(text, encoding="utf-8")

    assert load_recipe(copy).sha256 == parse_recipe(text, "x").sha256
    assert len(load_recipe(copy).sha256) == 64


def test_a_late_complaint_points_at_its_line(text):
    loaded = parse_recipe(text, "lead.yaml")
    problem = loaded.problem(("shots", 1, "condition"), "no relay does this")

    line = text.splitlines()[problem.line - 1]
    assert line[problem.column - 1 :].startswith("damped_choke")
    assert str(problem).startswith(
        f"lead.yaml:{problem.line}:{problem.column}: shots.1.condition: "
    )


# -- for editors -----------------------------------------------------------------------------------


def test_the_json_schema_is_one_and_takes_the_shipped_recipe(data):
    Draft202012Validator.check_schema(json_schema())
    Draft202012Validator(json_schema()).validate(data)


def test_the_json_schema_refuses_mistakes_of_form(data):
    validator = Draft202012Validator(json_schema())
    data["acquisition"]["duration"] = 40
    data["acquisition"]["repeat"] = 3
    data["quantities"]["Bad name"] = data["quantities"]["lead_current"]
    data["analysis"]["measures"] = ["rsm"]

    found = {".".join(map(str, error.absolute_path)) for error in validator.iter_errors(data)}
    assert found == {"acquisition.duration", "acquisition", "quantities", "analysis.measures.0"}


def test_the_json_schema_names_every_measure_and_writes_defaults_with_units():
    schema = json_schema()

    assert schema["$defs"]["Limit"]["properties"]["measure"]["enum"] == list(MEASURES)
    assert schema["$defs"]["Conductor"]["properties"]["continuity_limit"]["default"] == "100 mohm"
    assert schema["$defs"]["Analysis"]["properties"]["margin"]["default"] == "3 dB"
    assert "default" not in schema["properties"]["analysis"]
