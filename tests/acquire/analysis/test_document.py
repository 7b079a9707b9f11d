"""The JSON document: the contract's keys, valid by its schema, no NaN, the same bytes again."""

from __future__ import annotations

import json
import math

import jsonschema
import numpy as np
import pytest

from acquire.analysis.document import schema, to_document, to_json
from acquire.analysis.evaluate import evaluate
from acquire.analysis.inputs import Choices, Limit


@pytest.fixture
def result(make_capture, ring):
    """Return results of all three states."""
    rng = np.random.default_rng(0)

    def rows(level):
        return level * ring + 0.02 * rng.standard_normal((8, 1000))

    captures = [
        make_capture(rows(1.0), "reference", 0),
        make_capture(rows(0.1), "target", 1, condition="choke"),
        make_capture(rows(0.0), "target", 2, condition="filter"),
        make_capture(rows(0.1), "target", 3, condition="bead", clipped=2),
        make_capture(rows(0.0), "floor", 4),
        make_capture(rows(1.0), "reference", 5),
    ]
    limit = Limit("choke", "lead_current", "rms", attenuation_at_least=10.0)
    return evaluate(captures, Choices(limits=(limit,)))


@pytest.fixture
def document(result):
    return to_document(result, {"id": "20260101T120000Z-ab", "hash": ("a", float("nan"))})


def test_the_schema_is_a_schema_and_the_document_follows_it(document):
    jsonschema.Draft202012Validator.check_schema(schema())
    jsonschema.validate(json.loads(to_json(document)), schema())


def test_all_three_states_are_in_it(document):
    states = {r["attenuation"]["state"] for r in document["results"]}
    assert states == {"resolved", "floor-limited", "invalid"}


def test_the_contract(document):
    assert (document["format"], document["version"]) == ("floorshot-result", 1)
    one = document["results"][0]
    assert set(one["attenuation"]) == {
        "ratio", "db", "interval_db", "coverage", "method", "state", "reason"
    }  # fmt: skip
    assert set(one["reference"]) == {"value", "unit", "standard_uncertainty"}
    assert set(one["by_method"]) == {"none", "amplitude", "power", "coherent"}
    assert set(one["budget"][0]) == {
        "source", "kind", "standard_uncertainty_db", "degrees_of_freedom"
    }  # fmt: skip
    assert document["limits"][0]["verdict"] == "pass"
    assert document["verdict"] == "pass"


def test_undefined_numbers_are_null(document):
    limited = next(r for r in document["results"] if r["condition"] == "filter")
    assert limited["attenuation"]["interval_db"][1] is None
    assert limited["attenuation"]["db"] is None
    broken = next(r for r in document["results"] if r["condition"] == "bead")
    assert broken["corrected"] == {"value": None, "unit": "A", "standard_uncertainty": None}
    assert document["run"]["hash"] == ["a", None]


def test_the_schema_refuses_what_the_contract_forbids(document):
    for spoil in (
        lambda d: d["results"][0]["attenuation"].update(db=None),
        lambda d: d["results"][0]["attenuation"].update(method="best"),
        lambda d: d.update(version=2),
        lambda d: d["results"][0].pop("budget"),
    ):
        copy = json.loads(to_json(document))
        spoil(copy)
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(copy, schema())


def test_the_same_result_gives_the_same_bytes(result, document):
    again = to_document(result, {"id": "20260101T120000Z-ab", "hash": ("a", math.nan)})
    assert to_json(again) == to_json(document)
    assert to_json(document).endswith("}\n")


def test_an_infinity_that_slipped_in_is_an_error(document):
    with pytest.raises(ValueError, match="JSON"):
        to_json({**document, "verdict": math.inf})
