"""Each check of a bench profile: what it refuses, where, and what it lets pass."""

import pytest

from acquire.bench import checks as module
from acquire.bench import parse_bench
from acquire.errors import BadInputError

CASES = {
    "50 ohm without a limit": (
        [("    maximum_input: 10 V", "    #")],
        [("inputs.lead_current.input_impedance", "maximum_input is needed with it")],
    ),
    "75 ohm without a limit": (
        [("    maximum_input: 10 V", "    #"), ("50 ohm", "75 ohm")],
        [("inputs.lead_current.input_impedance", "an input of 75 ohm")],
    ),
    "one channel twice": (
        [("channel: 3", "channel: 1")],
        [("inputs.lead_voltage.channel", "channel 1 is already wired to 'lead_current'")],
    ),
    "no resource string": (
        [("TCPIP::127.0.0.1::45027::SOCKET", "localhost")],
        [("ohmmeter.resource", "'localhost' is not a VISA resource string")],
    ),
    "one resource twice": (
        [("TCPIP::127.0.0.1::45026::SOCKET", "'tcpip::127.0.0.1::45025::socket '")],
        [("fixture.resource", "the scope has the same resource")],
    ),
    "one relay state twice": (
        [("probe_off: [101, 110]", "probe_off: [110, 101]\n    other: [101, 110]")],
        [("fixture.conditions.other", "closes the same channels as 'probe_off'")],
    ),
    "one relay twice": (
        [("probe_off: [101, 110]", "probe_off: [101, 101]")],
        [("fixture.conditions.probe_off", "a channel stands here twice")],
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_refused_at_its_place(name, text):
    changes, expected = CASES[name]
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    with pytest.raises(BadInputError) as caught:
        parse_bench(text, "x.yaml")

    assert [p.field for p in caught.value.problems] == [field for field, _ in expected]
    for problem, (_, words) in zip(caught.value.problems, expected, strict=True):
        assert words in problem.message


def test_an_operator_needs_no_resource(text):
    start, end = text.index("fixture:"), text.index("ohmmeter:")
    text = text[:start] + "fixture: {kind: operator}\n" + text[end:]

    assert parse_bench(text, "x").bench.fixture.kind == "operator"


def test_no_check_is_forgotten(text):
    run = {check.func.__name__ for check in module.checks(parse_bench(text, "x").bench)}
    written = {
        name for name, thing in vars(module).items()
        if callable(thing) and "Complaint" in str(getattr(thing, "__annotations__", {}))
    }  # fmt: skip

    assert written == run
