"""Every kind of file, spoiled in any way: it loads, or it is refused with problems. Never a crash.

What a person does to a file is done to a right one: a value exchanged, a key renamed, left out,
given twice or added, a block moved to where it does not belong.
"""

import json
from importlib.resources import files

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.bench import parse_bench, parse_probe
from acquire.bench.scope_profile import read_scope_profile
from acquire.errors import BadInputError
from acquire.recipe import parse_recipe
from acquire.run.match import match
from acquire.textfile import parse

SHIPPED = files("profiles")


def shipped(name):
    return parse((SHIPPED / f"{name}.yaml").read_text(encoding="utf-8"), name).data


KINDS = {
    "recipe": (shipped("recipes/bonding_lead_source"), parse_recipe),
    "bench": (shipped("benches/wind_tunnel_simulated"), parse_bench),
    "probe": (shipped("probes/clamp_5ohm"), parse_probe),
    "scope": (
        shipped("scopes/quillmoor_qc_4104"), lambda t, n: read_scope_profile(parse(t, n), n)
    ),
}  # fmt: skip

VALUES = (
    st.none() | st.booleans() | st.integers(-3, 10**9) | st.floats(-1e3, 1e12)
    | st.sampled_from(
        ["", "x", "50 mV", "0 V", "-1 s", "2 us", "3 dB", "0.5 A", "95 %", "1e300 s", "bare", "rms",
         "lead_current", "external", "relay", "current", "voltage", "open_circuit", "floor", "[",
         "2027-01-01", "50 ohm", "1 Hz", "A b", "../x", "TCPIP::1::INSTR", "\n", "é" * 50]
    )
    | st.just({}) | st.just([]) | st.just({"kind": "current"}) | st.just([1, 2])
)  # fmt: skip


def places(data, path=()):
    yield path
    if isinstance(data, dict | list | tuple):
        for key, value in data.items() if isinstance(data, dict) else enumerate(data):
            yield from places(value, (*path, key))


def listed(data):
    if isinstance(data, dict):
        return {key: listed(value) for key, value in data.items()}
    return [listed(item) for item in data] if isinstance(data, list | tuple) else data


@st.composite
def spoiled(draw, data):
    data = listed(data)
    for _ in range(draw(st.integers(1, 6))):
        path = draw(st.sampled_from(list(places(data))[1:] or [()]))
        if not path:
            return data
        block = data
        for step in path[:-1]:
            block = block[step]
        last = path[-1]
        act = draw(st.sampled_from(["exchange", "remove", "rename", "add", "move", "double"]))
        if act == "exchange":
            block[last] = listed(draw(VALUES))  # its own copy: it may be spoiled further
        elif act == "remove":
            del block[last]
        elif act == "move":
            source = draw(st.sampled_from(list(places(data))))
            value = data
            for step in source:
                value = value[step]
            block[last] = listed(value)
        elif isinstance(block, list):
            block.insert(0, listed(block[last]))
        elif act == "rename":
            block[draw(st.sampled_from([f"{last}s", str(last)[1:], "kind", "Ä"]))] = block.pop(last)
        else:
            block[f"{last}_{act}"] = listed(block[last])
    return data


def refused_or_read(load, text):
    try:
        return load(text, "x.yaml"), ()
    except BadInputError as error:
        return None, error.problems


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_a_spoiled_file_is_read_or_refused_with_problems(kind, data):
    right, load = KINDS[kind]
    text = json.dumps(data.draw(spoiled(right)), indent=1)

    loaded, problems = refused_or_read(load, text)

    assert (loaded is None) == bool(problems)
    for problem in problems:
        assert problem.message
        assert "SimpleNamespace" not in problem.message
        assert "Input should" not in problem.message
        if problem.line and problem.file == "x.yaml":
            line = text.splitlines()[problem.line - 1]
            assert 1 <= problem.column <= len(line) + 1
        str(problem)


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_what_loads_can_be_matched(data):
    recipe, _ = refused_or_read(parse_recipe, json.dumps(data.draw(spoiled(KINDS["recipe"][0]))))
    bench, _ = refused_or_read(parse_bench, json.dumps(data.draw(spoiled(KINDS["bench"][0]))))
    recipe = recipe or parse_recipe(json.dumps(listed(KINDS["recipe"][0])), "r")
    bench = bench or parse_bench(json.dumps(listed(KINDS["bench"][0])), "b")

    for problem in match(recipe, bench):
        assert problem.message


@pytest.mark.parametrize("kind", KINDS)
def test_unspoiled_each_loads(kind):
    right, load = KINDS[kind]

    assert refused_or_read(load, json.dumps(listed(right)))[1] == ()
