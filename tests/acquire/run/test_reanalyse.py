"""A stored run is evaluated again; what was measured cannot be chosen anew."""

import json

import pytest

from acquire.errors import RefusedError
from acquire.run.reanalyse import reanalyse, transducers_in
from acquire.run.runner import run
from acquire.runfile import RunFile


@pytest.fixture
def path(lab, recipe, bench, tmp_path):
    return run(recipe, bench, tmp_path / "run.h5", openers=lab.openers).path


def test_the_same_choices_give_the_same_document(path):
    with RunFile.open(path) as file:
        before = file.document

    found, name = reanalyse(path)

    assert found.document_json == before
    with RunFile.open(path) as file:
        assert file.document == before
        assert [r.name for r in file.results] == ["", name]


def test_other_choices_stand_beside_the_old_result(path, load_recipe_text):
    other = load_recipe_text(
        {
            "analysis: {measures: [rms]}": "analysis: {measures: [peak_to_peak], coverage: 99 %}",
            "measure: rms, attenuation_at_least: 10 dB": "measure: peak_to_peak, "
            "attenuation_at_least: 40 dB",
        }
    )

    found, name = reanalyse(path, recipe=other)

    assert {r.measure for r in found.result.results} == {"peak_to_peak"}
    assert found.result.results[0].attenuation.coverage == 0.99
    assert found.result.verdict == "fail"
    with RunFile.open(path) as file:
        stored = {r.name: r for r in file.results}
    assert json.loads(stored[name].document) == found.document
    assert stored[name].recipe_text == other.text
    assert json.loads(stored[""].document)["verdict"] == "pass"


def test_a_look_stores_nothing(path):
    before = path.read_bytes()

    _, name = reanalyse(path, store=False)

    assert name == ""
    assert path.read_bytes() == before


def test_another_measurement_is_refused(path, load_recipe_text):
    other = load_recipe_text({"repeats: 4": "repeats: 5", "duration: 4 us": "duration: 5 us"})

    with pytest.raises(RefusedError, match="acquisition differ from the recipe"):
        reanalyse(path, recipe=other)


def test_probes_come_from_the_run_file(path):
    with RunFile.open(path) as file:
        found = transducers_in(file)

    assert {name: t.name for name, t in found.items()} == {"lead": "clamp", "edge": "divider"}
