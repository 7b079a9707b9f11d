"""Our own words for every kind of complaint, and for every pattern in use."""

import json
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from acquire.bench.schema import Bench, Probe
from acquire.bench.scope_profile import ScopeFile
from acquire.recipe.schema import Recipe
from acquire.textfile import sentences
from acquire.textfile.sentences import sentence, shown


def patterns(node):
    if isinstance(node, dict):
        if "unit" not in node and "pattern" in node:
            yield node["pattern"]
        yield from node.get("patternProperties", {})
        for value in node.values():
            yield from patterns(value)
    elif isinstance(node, list):
        for value in node:
            yield from patterns(value)


@pytest.mark.parametrize("model", [Recipe, Bench, Probe, ScopeFile])
def test_every_pattern_of_a_name_has_a_sentence(model):
    found = set(patterns(model.model_json_schema()))
    quantities = {p for p in found if "[0-9]+" in p}

    assert found - quantities <= set(sentences.NAMES)


LEAVES = (
    st.none() | st.booleans() | st.integers(-5, 10**6) | st.floats(-5, 5)
    | st.sampled_from(["", "x", "50 mV", "lead", "A b", "relay", "x" * 3000, "rms", "2027-13-01"])
)  # fmt: skip
KEYS = sorted(
    set(re.findall(r'"(\w+)":', json.dumps([m.model_json_schema() for m in (Recipe, Bench)])))
    | {"odd", "A b"}
)
DATA = st.recursive(
    LEAVES,
    lambda inner: (
        st.lists(inner, max_size=3).map(tuple)
        | st.dictionaries(st.sampled_from(KEYS), inner, max_size=6)
    ),
    max_leaves=30,
)


@pytest.mark.parametrize("model", [Recipe, Bench, Probe, ScopeFile])
@given(data=st.dictionaries(st.sampled_from(KEYS), DATA, max_size=12))
def test_no_complaint_is_left_in_the_words_of_a_library(model, data):
    """Kinds that `validate` words itself (missing, unknown keys) are not `sentence`'s to word."""
    try:
        model.model_validate(data)
    except ValidationError as error:
        errors = error.errors()
    else:
        errors = []
    for found in errors:
        if found["type"] not in ("missing", "extra_forbidden"):
            text = sentence(found, found["loc"][-1:] == ("[key]",))
            assert found["msg"] not in text or found["type"] == "quantity"
            assert len(text) < 400


@pytest.mark.parametrize(
    ("value", "text"),
    [(None, "nothing"), (True, "true"), ("a", "'a'"), ("x" * 99, f"'{'x' * 60}...'"),
     ((), "a list"), ({}, "a block of settings"), (2.5, "2.5")],
)  # fmt: skip
def test_shown(value, text):
    assert shown(value) == text
