"""What is at an address: every kind, every dialect, the unknown, and who is told apart by what.

Real makers' identities are those of drivers/catalogue.py and survey.py; from memory.
"""

import pytest

from drivers.catalogue import DIALECTS, MODELS
from drivers.errors import LinkLostError, RequestError
from drivers.link import LinkPolicy
from drivers.scope import Identity
from drivers.survey import OTHERS, other_entry, survey
from simulated_instruments.bench import SimulatedBench

POLICY = LinkPolicy(timeout=3.0, open_timeout=3.0)


@pytest.fixture(scope="module")
def bench():
    with SimulatedBench(seed=1) as made:
        yield made


def identity(maker, model):
    return Identity(maker, model, "1", "1", f"{maker},{model},1,1")


def test_a_relay_unit_and_an_ohmmeter(bench):
    relays = survey(bench.resources["switch"], {}, policy=POLICY)
    ohms = survey(bench.resources["ohmmeter"], {}, policy=POLICY)

    assert (relays.kind, relays.readback[0]) == ("relay unit", "per channel")
    assert relays.errors == ohms.errors == ()
    assert ohms.kind == "ohmmeter"
    assert ohms.dialect == ""


def test_a_scope_without_a_profile_is_known_but_not_asked(bench):
    found = survey(bench.resources["scope"], {}, policy=POLICY)

    assert (found.kind, found.dialect) == ("oscilloscope", "keysight_infiniivision")
    assert found.model_pattern == "qv-.*"
    assert found.profile is None
    assert found.errors is None


def test_a_profile_that_is_not_there_is_refused_with_those_that_are(bench):
    with pytest.raises(RequestError, match="known are: none"):
        survey(bench.resources["scope"], {}, profile="mine", policy=POLICY)


def test_an_unknown_maker(serve):
    def answer(peer):
        while True:
            if peer.line() == "*IDN?":
                peer.send(b"NOBODY,X-1,7,0.1\n")

    found = survey(serve(answer).resource, {}, policy=POLICY)

    assert (found.kind, found.identity.model, found.errors) == ("unknown", "X-1", None)


def test_a_dead_address(serve):
    server = serve(lambda _peer: None)
    resource = server.resource
    server.close()

    with pytest.raises(LinkLostError, match="nothing listens"):
        survey(resource, {}, policy=POLICY)


@pytest.mark.parametrize(
    ("maker", "model", "kind"),
    [
        ("KEITHLEY INSTRUMENTS INC.", "MODEL 2700", "relay unit"),
        ("Agilent Technologies", "34980A", "relay unit"),
        ("Keysight Technologies", "34461A", "ohmmeter"),
        ("HEWLETT-PACKARD", "34401A", "ohmmeter"),
        ("Rigol Technologies", "DM3068", "ohmmeter"),
    ],
)
def test_kinds_of_other_instruments(maker, model, kind):
    found = other_entry(identity(maker, model))

    assert found is not None
    assert found[2] == kind


@pytest.mark.parametrize(
    ("maker", "model"),
    [
        ("KEYSIGHT TECHNOLOGIES", "DSO-X 3054T"),
        ("RIGOL TECHNOLOGIES", "DS1104Z"),
        ("TEKTRONIX", "MSO4104"),
        ("QUILLMOOR INSTRUMENTS", "QV-3054"),
    ],
)
def test_no_oscilloscope_is_taken_for_another_kind(maker, model):
    assert other_entry(identity(maker, model)) is None


def test_the_tables_name_what_there_is():
    assert {dialect for _, _, dialect in MODELS} == set(DIALECTS)
    assert {kind for _, _, kind in OTHERS} == {"relay unit", "ohmmeter"}
