"""Which driver is chosen, and what is said when none can be."""

from __future__ import annotations

import re

import pytest

from drivers.catalogue import DIALECTS, MODELS, dialect_for, open_scope, profile_for
from drivers.errors import LinkLostError, RequestError
from drivers.profile import ScopeProfile
from drivers.scope import Identity
from drivers.scpi_scope import ScpiScope


def identity(maker, model):
    return Identity(maker, model, "1", "1", f"{maker},{model},1,1")


def profile(name="qv", dialect="keysight_infiniivision", maker="quillmoor.*", model="qv-30.*"):
    return ScopeProfile(
        name, dialect, maker, model, 4, (1.0,), 8, 10, 1e8, 1e9, 1000, 8, 8, (1e6,), 0.02
    )


def test_every_dialect_is_whole():
    """No abstract method is left, and nothing of the base that must be replaced."""
    hooks = ("arm", "arming_confirmed", "stop", "stopped", "fetch")
    for name, kind in DIALECTS.items():
        assert not kind.__abstractmethods__, name
        assert kind.SETTINGS, name
        for hook in hooks:
            assert getattr(kind, hook) is not getattr(ScpiScope, hook, None), (name, hook)


def test_every_pattern_names_a_dialect():
    for maker, model, dialect in MODELS:
        assert dialect in DIALECTS
        re.compile(maker)
        re.compile(model)


# Field 1 and 2 of *IDN? as the facts page has them; all from memory (see drivers/README.md).
@pytest.mark.parametrize(
    ("maker", "model", "dialect"),
    [
        ("AGILENT TECHNOLOGIES", "DSO-X 3054A", "keysight_infiniivision"),
        ("KEYSIGHT TECHNOLOGIES", "MSO-X 4154A", "keysight_infiniivision"),
        ("KEYSIGHT TECHNOLOGIES", "DSOX1204G", "keysight_infiniivision"),
        ("TEKTRONIX", "DPO4104", "tektronix"),
        ("TEKTRONIX", "MSO54", "tektronix"),
        ("TEKTRONIX", "TDS5104B", "tektronix"),
        ("TEKTRONIX", "TDS 2014", "tektronix_old"),
        ("TEKTRONIX", "TDS2024C", "tektronix_old"),
        ("AGILENT TECHNOLOGIES", "MSO7054B", "keysight_infiniivision"),
        ("KEYSIGHT TECHNOLOGIES", "DSOS104A", "keysight_infiniium"),
        ("AGILENT TECHNOLOGIES", "DSO9404A", "keysight_infiniium"),
        ("KEYSIGHT TECHNOLOGIES", "MXR404A", "keysight_infiniium"),
        ("RIGOL TECHNOLOGIES", "DS1104Z", "rigol"),
        ("RIGOL TECHNOLOGIES", "MSO5104", "rigol"),
        ("Siglent Technologies", "SDS1104X-E", "siglent_old"),
        ("LECROY", "T3DSO1204", "siglent_old"),
        ("LECROY", "WAVERUNNER8404M-MS", "lecroy"),
        ("LECROY", "HDO4034", "lecroy"),
        ("Rohde&Schwarz", "RTB2004", "rohde_schwarz"),
        ("QUILLMOOR INSTRUMENTS", "QV-3054", "keysight_infiniivision"),
        ("QUILLMOOR INSTRUMENTS", "QC-4104", "tektronix"),
    ],
)
def test_dialect_by_identity(maker, model, dialect):
    assert dialect_for(identity(maker, model)) == dialect
    assert dialect_for(identity(maker.title(), model.lower())) == dialect


@pytest.mark.parametrize(
    ("maker", "model"),
    [
        ("Rohde&Schwarz", "RTO"),
        ("Siglent Technologies", "SDS2104X Plus"),
        ("RIGOL TECHNOLOGIES", "DHO924"),
        ("TEKTRONIX", "TDS3034B"),
    ],
)
def test_relatives_that_speak_otherwise_are_not_claimed(maker, model):
    assert dialect_for(identity(maker, model)) is None


def test_unknown_identity():
    assert dialect_for(identity("ACME", "X1")) is None


def test_profile_is_matched_whole_and_without_case():
    profiles = {"qv": profile()}
    assert profile_for(identity("Quillmoor Instruments", "QV-3054"), profiles).name == "qv"
    with pytest.raises(RequestError):
        profile_for(identity("QUILLMOOR INSTRUMENTS", "XQV-3054"), profiles)


def test_named_profile_is_taken_whatever_the_identity():
    assert profile_for(identity("ACME", "X1"), {"qv": profile()}, "qv").name == "qv"


def test_named_profile_that_is_not_there():
    with pytest.raises(RequestError, match="no scope profile is called 'qx'; known are: qv"):
        profile_for(identity("ACME", "X1"), {"qv": profile()}, "qx")


def test_no_profile_for_a_known_family_names_its_dialect():
    with pytest.raises(RequestError, match=r"TEKTRONIX,DPO4104.*known are: qv.*'tektronix'"):
        profile_for(identity("TEKTRONIX", "DPO4104"), {"qv": profile()})


def test_no_profile_for_a_stranger_points_to_the_page():
    with pytest.raises(RequestError, match=r"known are: none.*BRING_YOUR_SCOPE"):
        profile_for(identity("ACME", "X1"), {})


def answering(peer):
    while True:
        if peer.line() == "*IDN?":
            peer.send(b"ACME,X1,77,1.0\n")


def test_open_scope_without_a_profile_closes_the_link_and_sends_nothing_else(serve, policy):
    server = serve(answering)
    seen = []
    with pytest.raises(RequestError, match="ACME,X1,77") as caught:
        open_scope(server.resource, {}, policy=policy, wire_log=lambda *e: seen.append(e))
    assert caught.value.instrument == f"scope ({server.resource})"
    assert [entry[2] for entry in seen if entry[1] == "out"] == ["*IDN?"]


def test_open_scope_with_a_profile_of_no_known_dialect(serve, policy):
    bad = profile(dialect="klingon", maker="acme", model="x1")
    with pytest.raises(RequestError, match="dialect 'klingon'; known: "):
        open_scope(serve(answering).resource, {"bad": bad}, policy=policy)


def test_open_scope_where_nothing_listens(policy):
    with pytest.raises(LinkLostError, match="nothing listens"):
        open_scope("TCPIP::127.0.0.1::9::SOCKET", {}, policy=policy)
