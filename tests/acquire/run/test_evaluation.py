"""From a recipe to choices, from an event log to remarks, from a document to an exit code."""

from datetime import UTC, datetime

import pytest

from acquire.analysis.inputs import Limit
from acquire.errors import ExitCode
from acquire.run.evaluation import choices_of, exit_code, remarks_of, software, transducers_of
from acquire.runfile.records import Event

AT = datetime(2026, 1, 1, tzinfo=UTC)


def document(verdict, *states):
    return {"verdict": verdict, "results": [{"attenuation": {"state": s}} for s in states]}


@pytest.mark.parametrize(
    ("verdict", "states", "code"),
    [
        ("pass", ["resolved"], ExitCode.OK),
        ("pass", ["floor-limited"], ExitCode.OK),
        ("fail", ["resolved"], ExitCode.LIMIT_NOT_MET),
        ("undecided", ["floor-limited"], ExitCode.UNDECIDED),
        (None, ["resolved", "resolved"], ExitCode.OK),
        (None, ["resolved", "floor-limited"], ExitCode.UNDECIDED),
        (None, ["invalid"], ExitCode.UNDECIDED),
        (None, [], ExitCode.UNDECIDED),
    ],
)
def test_exit_codes_follow_the_verdict(verdict, states, code):
    assert exit_code(document(verdict, *states)) is code


def test_choices_are_those_of_the_recipe(load_recipe_text):
    recipe = load_recipe_text(
        {
            "analysis: {measures: [rms]}": "analysis: {correction: coherent, measures: [rms], "
            "coverage: 99 %, margin: 6 dB, drift_allowance: 2 dB}",
            "attenuation_at_least: 10 dB": "residual_at_most: 20 mA",
        }
    ).recipe

    choices = choices_of(recipe)

    assert (choices.correction, choices.measures, choices.coverage) == ("coherent", ("rms",), 0.99)
    assert (choices.margin, choices.drift_allowance) == (6.0, 2.0)
    assert choices.trigger_quantity == "edge"
    assert choices.limits == (Limit("choke", "lead", "rms", None, 0.02),)


def test_an_external_trigger_is_no_quantity_to_align_on(load_recipe_text):
    outside = load_recipe_text({"source: edge, level: 5 V": "source: external, level: 1 V"})

    assert choices_of(outside.recipe).trigger_quantity is None


def test_each_quantity_has_its_probe(recipe, bench):
    found = transducers_of(recipe.recipe, bench)

    assert (found["lead"].unit, found["lead"].transfer) == ("A", 1.0)
    assert (found["edge"].unit, found["edge"].transfer) == ("V", 0.1)


def test_what_went_wrong_on_the_way_is_remarked_upon_once():
    events = [
        Event("run_started", AT, {}),
        Event("finding", AT, {"level": "warning", "text": "calibration ended"}),
        Event("finding", AT, {"level": "ok", "text": "all is well"}),
        Event("shot_stored", AT, {"shot": "01_reference_bare", "remarks": ["lead: short"]}),
        Event("level_suspect", AT, {"text": "looks like a target"}),
        Event("clock_jumped", AT, {"seconds": -3600.0}),
        Event("finding", AT, {"level": "warning", "text": "calibration ended"}),
        Event("run_resumed", AT, {"break_seconds": 61.7, "stored_shots": 3, "decision": "fine"}),
        Event("fixture_unknown", AT, {"error": "gone"}),
        Event("log_damaged", AT, {"line": 3}),
    ]

    assert remarks_of(events) == (
        "calibration ended",
        "01_reference_bare: lead: short",
        "looks like a target",
        "the wall clock jumped by -3600 s",
        "the run was broken off for 62 s; shots stored by then: 3; fine",
        "the fixture could not be parked: gone",
    )


def test_a_damaged_log_breaks_nothing():
    assert remarks_of([Event("run_resumed", AT, {}), Event("shot_stored", AT, {})]) == (
        "the run was broken off for some time; shots stored by then: None; None",
    )


def test_the_program_names_itself():
    assert software().startswith("floorshot ")
