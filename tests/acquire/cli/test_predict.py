"""How a candidate is named, and what is said of an impedance table that cannot be read."""

import pytest

from acquire.cli.predict import HEADER, inductor_of, tabulated_of
from acquire.errors import BadInputError


def test_an_inductor_is_named_as_a_person_would():
    assert inductor_of(100e-6).name == "inductor of 100 uH"
    assert (
        inductor_of(0.35e-6, 0.046, 1e4, 2e-12).name
        == "inductor of 350 nH, 46 mohm in series, 10 kohm in parallel, 2 pF in parallel"
    )


def test_a_table_is_named_by_its_file_and_its_header_can_be_read(tmp_path):
    path = tmp_path / "choke.csv"
    path.write_text(f"{HEADER}\n1, 100, 80\n10, 900, 60\n")

    assert tabulated_of(path).name == "the impedance of choke.csv"


def test_a_header_without_units_is_told_with_one_that_can_be_read(tmp_path):
    path = tmp_path / "choke.csv"
    path.write_text("f, Z\n1, 100\n")

    with pytest.raises(BadInputError) as refused:
        tabulated_of(path)

    assert "choke.csv:1:1: column 'f' is not known" in str(refused.value)
    assert HEADER in str(refused.value)
