"""The written bench profile loads, has the addresses given, and overwrites nobody's file."""

import pytest

from acquire.bench import load_bench
from acquire.cli import simulated_profile
from acquire.errors import RefusedError

ADDRESSES = {
    "scope": "TCPIP::127.0.0.1::45027::SOCKET",  # the shipped ohmmeter's: must not be mixed up
    "switch": "TCPIP::127.0.0.1::50001::SOCKET",
    "ohmmeter": "TCPIP::127.0.0.1::45025::SOCKET",
}


@pytest.mark.parametrize("fixture", simulated_profile.SHIPPED)
def test_it_loads_and_has_each_address_at_its_role(fixture, tmp_path):
    path = tmp_path / "bench.yaml"

    simulated_profile.write(path, ADDRESSES, fixture)

    bench = load_bench(path).bench
    assert bench.scope.resource == ADDRESSES["scope"]
    assert bench.ohmmeter.resource == ADDRESSES["ohmmeter"]
    assert bench.fixture.kind == fixture
    if fixture == "relay":
        assert bench.fixture.resource == ADDRESSES["switch"]


def test_it_may_be_overwritten_but_nobody_elses(tmp_path):
    own, foreign = tmp_path / "own.yaml", tmp_path / "foreign.yaml"
    simulated_profile.write(own, ADDRESSES)
    foreign.write_text("site: mine\n")

    simulated_profile.refuse_foreign_file(own)
    simulated_profile.refuse_foreign_file(tmp_path / "new.yaml")
    with pytest.raises(RefusedError, match="is left alone"):
        simulated_profile.refuse_foreign_file(foreign)


def test_a_folder_that_is_not_there_is_said(tmp_path):
    with pytest.raises(RefusedError, match="cannot be written"):
        simulated_profile.write(tmp_path / "nowhere" / "bench.yaml", ADDRESSES)
