"""Probe profiles: the transducer that they stand for, and what is refused."""

from pathlib import Path

import numpy as np
import pytest

import profiles
from acquire.analysis.transfer_table import parse_table
from acquire.bench import load_probe, parse_probe
from acquire.bench.probes import ProbeFolders, ProbeTexts, no_such_probe
from acquire.errors import BadInputError

SHIPPED = Path(profiles.__file__).parent / "probes"


def test_a_current_probe(probe_text):
    loaded = parse_probe(probe_text, "clamp")

    assert loaded.transducer.name == "clamp"
    assert loaded.transducer.unit == "A"
    assert loaded.transducer.transfer == 5.0  # V/A
    assert loaded.transducer.band == (10e3, 200e6)
    # JCGM 100:2008, 4.3.3: a standard uncertainty is the expanded one over its coverage factor
    assert loaded.transducer.relative_uncertainty == pytest.approx(0.03 / 2)
    assert loaded.transducer.table is None
    assert loaded.text == probe_text


def test_a_voltage_probe_divides():
    loaded = load_probe(SHIPPED / "divider_10to1.yaml")

    assert loaded.transducer.unit == "V"
    assert loaded.transducer.transfer == pytest.approx(0.1)
    assert loaded.probe.attenuation == 10.0


def test_a_table_stands_beside_its_profile():
    loaded = load_probe(SHIPPED / "window_1ohm.yaml")
    expected = parse_table((SHIPPED / "window_1ohm.csv").read_text(), 2.0)

    assert loaded.table_text == (SHIPPED / "window_1ohm.csv").read_text()
    np.testing.assert_array_equal(loaded.transducer.table.magnitude, expected.magnitude)


def test_the_shipped_table_is_the_band_pass_that_it_says_it_is():
    """A first-order band-pass, 25 kHz to 120 MHz, 1 ohm: its formula, not our reader's word."""
    table = load_probe(SHIPPED / "window_1ohm.yaml").transducer.table
    s = 1j * table.frequency / 1e6
    ideal = s / (s + 0.025) * 120 / (s + 120)

    np.testing.assert_allclose(table.magnitude, abs(ideal), rtol=10 ** (0.0051 / 20) - 1)
    np.testing.assert_allclose(table.phase, np.angle(ideal), atol=np.radians(0.051))


CASES = {
    "current probe without an impedance": ("transfer_impedance: 5 ohm\n", "", "kind"),
    "voltage probe with an impedance": ("kind: current", "kind: voltage", "kind"),
    "both": ("kind: current", "kind: current\nattenuation: 10", "attenuation"),
    "band upside down": ("high: 200 MHz", "high: 9 kHz", "band.low"),
    "band without width": ("high: 200 MHz", "high: 10 kHz", "band.low"),
    "calibration ended before it began": ("2099-12-31", "2026-02-10", "calibration_due"),
    "no such day": ("2099-12-31", "2099-02-29", "calibration_due"),
    "a date in another order": ("2099-12-31", "31-12-2099", "calibration_due"),
    "a date and a time": ("2099-12-31", "2099-12-31T00:00", "calibration_due"),
    "a date that is a number": ("2099-12-31", "20991231", "calibration_due"),
    "uncertainty beyond one": ("uncertainty: 3 %", "uncertainty: 3", "uncertainty"),
    "coverage factor of zero": ("coverage_factor: 2", "coverage_factor: 0", "coverage_factor"),
    "no impedance": ("5 ohm", "0 ohm", "transfer_impedance"),
}


@pytest.mark.parametrize("name", CASES)
def test_refused_at_its_place(name, probe_text):
    old, new, field = CASES[name]
    assert old in probe_text
    with pytest.raises(BadInputError) as caught:
        parse_probe(probe_text.replace(old, new, 1), "x.yaml")

    assert caught.value.problems[0].field == field


def test_a_voltage_probe_has_no_current_limit():
    text = (SHIPPED / "divider_10to1.yaml").read_text() + "maximum_current: 3 A\n"
    with pytest.raises(BadInputError, match="a voltage probe has no maximum_current"):
        parse_probe(text, "x")


def test_a_missing_table_is_told_in_the_profile(tmp_path, window_text):
    path = tmp_path / "p.yaml"
    path.write_text(window_text)
    with pytest.raises(BadInputError, match=r"table: .*window_1ohm.csv: cannot be read") as caught:
        load_probe(path)
    line = caught.value.problems[0].line
    assert window_text.splitlines()[line - 1].startswith("table:")


def test_a_wrong_table_is_told_at_its_own_lines(window_text, table_text):
    lines = table_text.splitlines()
    lines[4] = "0.03,abc,39.8,0.8"
    lines[6] = "0.01,-1,0,0.8"
    with pytest.raises(BadInputError) as caught:
        parse_probe(window_text, "x", table_text="\n".join(lines))

    assert [(p.file, p.line) for p in caught.value.problems] == [
        ("window_1ohm.csv", 5), ("window_1ohm.csv", 7),
    ]  # fmt: skip


def test_a_table_in_another_unit_is_noticed(window_text):
    rows = "0.02,0.6\n1,0.98\n100,0.8\n"
    parse_probe(window_text, "x", table_text=f"frequency [MHz],magnitude [ohm]\n{rows}")
    with pytest.raises(BadInputError, match="check the unit in the table's header"):
        parse_probe(window_text, "x", table_text=f"frequency [MHz],magnitude [mohm]\n{rows}")


def test_a_table_outside_the_band_is_refused(window_text, table_text):
    text = window_text.replace("{low: 20 kHz, high: 100 MHz}", "{low: 1 GHz, high: 2 GHz}")
    with pytest.raises(BadInputError, match="lie outside the band of this probe"):
        parse_probe(text, "x", table_text=table_text)


def test_the_coverage_factor_of_the_profile_is_that_of_a_table_without_one(window_text, table_text):
    table_text = table_text.replace("uncertainty (k=2) [dB]", "uncertainty [%]")
    text = window_text.replace("coverage_factor: 2", "coverage_factor: 4")
    loaded = parse_probe(text, "x", table_text=table_text)

    assert loaded.transducer.table.relative_uncertainty[0] == pytest.approx(0.8e-2 / 4)


def test_stores_know_their_probes(tmp_path, probe_text):
    assert "clamp_5ohm" in ProbeFolders(None).known()
    assert ProbeFolders(tmp_path).read("none") is None
    store = ProbeTexts({"a": probe_text, "a.csv": "x"})
    assert store.known() == ["a"]
    assert store.read("a").transducer.name == "a"
    assert store.read("b") is None


def test_advice_for_a_probe_that_is_nowhere():
    assert no_such_probe("clamp.yaml", []).endswith("write the name without .yaml")
    assert no_such_probe("clamp_5om", ["clamp_5ohm"]).endswith("did you mean 'clamp_5ohm'?")
