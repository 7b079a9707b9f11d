"""Scope profiles: from YAML to the driver's plain data."""

import pytest

from acquire.bench.scope_profile import (
    ScopeFile,
    read_scope_profile,
    scope_profiles_for,
    shipped_scope_profiles,
)
from acquire.errors import BadInputError
from acquire.textfile import parse
from drivers.profile import ScopeProfile

TEXT = """\
floorshot_scope: 1
dialect: tektronix
maker: some maker
model: m\\d+
channels: 2
vertical_ranges: [10 mV, 1 V, 100 V]
vertical_divisions: 10
horizontal_divisions: 10
bandwidth: 100 MHz
maximum_sample_rate: 1 GS/s
maximum_record_length: 10000
record_lengths: [1000, 10000]
bits: 8
code_bits: 8
input_impedances: [50 ohm, 1 Mohm]
gain_accuracy: 3 %
maximum_segments: 5
settling_time: 10 ms
quirks: [slow_start]
"""


def test_every_setting_arrives():
    assert read_scope_profile(parse(TEXT, "x.yaml"), "mine") == ScopeProfile(
        name="mine", dialect="tektronix", maker="some maker", model=r"m\d+", channels=2,
        vertical_ranges=(0.01, 1.0, 100.0), vertical_divisions=10, horizontal_divisions=10,
        bandwidth=100e6, maximum_sample_rate=1e9, maximum_record_length=10_000, bits=8, code_bits=8,
        input_impedances=(50.0, 1e6), gain_accuracy=0.03, record_lengths=(1000, 10_000),
        maximum_segments=5, settling_time=0.01, quirks=frozenset({"slow_start"}),
    )  # fmt: skip


def test_no_setting_of_the_driver_is_out_of_reach():
    assert set(ScopeFile.model_fields) - {"floorshot_scope"} == (
        set(ScopeProfile.__dataclass_fields__) - {"name"}
    )


@pytest.mark.parametrize(
    ("old", "new", "field", "words"),
    [
        ("some maker", "'some (maker'", "maker", "not a regular expression"),
        ("model: m\\d+", "model: '*'", "model", "not a regular expression"),
        ("[10 mV, 1 V", "[1 V, 1 V", "vertical_ranges.1", "must be larger than the one before"),
        ("[1000, 10000]", "[10000, 1000]", "record_lengths.1", "must be larger"),
        ("[1000, 10000]", "[1000, 10001]", "record_lengths", "longer than maximum_record_length"),
        ("bits: 8\n", "bits: 12\n", "code_bits", "12 bits does not fit into codes of 8 bits"),
        ("code_bits: 8", "code_bits: 12", "code_bits", "must be 8 or 16, found 12"),
        ("[10 mV,", "[10,", "vertical_ranges.0", "10 has no unit"),
        ("channels: 2", "channels: 2.5", "channels", "expected a whole number"),
    ],
)
def test_refused_at_its_place(old, new, field, words):
    assert old in TEXT
    with pytest.raises(BadInputError) as caught:
        read_scope_profile(parse(TEXT.replace(old, new, 1), "x.yaml"), "mine")

    assert caught.value.problems[0].field == field
    assert words in caught.value.problems[0].message


def test_mistakes_of_all_profiles_of_a_folder_are_told_together(tmp_path):
    (tmp_path / "scopes").mkdir()
    for name in ("a", "b"):
        (tmp_path / "scopes" / f"{name}.yaml").write_text(
            TEXT.replace("channels: 2", "channels: x")
        )
    with pytest.raises(BadInputError) as caught:
        scope_profiles_for(tmp_path)
    assert len(caught.value.problems) == 2


def test_without_a_folder_only_the_shipped_ones_are_known(tmp_path):
    assert scope_profiles_for(None) == scope_profiles_for(tmp_path) == shipped_scope_profiles()
