"""Transfer tables: what may be written, what it means, and what is said where it is wrong."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis.transfer_table import TransferTableError, parse_table


def messages(text: str) -> list[str]:
    with pytest.raises(TransferTableError) as caught:
        parse_table(text)
    return [str(problem) for problem in caught.value.problems]


def test_every_column_in_engineering_units() -> None:
    table = parse_table(
        "# certificate of the probe on the force-balance rack\n"
        "frequency [MHz], transfer impedance [dB(ohm)], phase [deg], uncertainty (k=2) [dB]\n"
        "0.01, -20, 90, 1.0\n"
        "1, 0, 0, 0.5\n"
        "\n"
        "100, 13.979, -45, 2.0\n"
    )
    np.testing.assert_allclose(table.frequency, [1e4, 1e6, 1e8])
    np.testing.assert_allclose(table.magnitude, [0.1, 1.0, 5.0], rtol=1e-4)
    assert table.phase is not None
    np.testing.assert_allclose(table.phase, [np.pi / 2, 0.0, -np.pi / 4])
    assert table.relative_uncertainty is not None
    np.testing.assert_allclose(
        table.relative_uncertainty, np.array([0.5, 0.25, 1.0]) * np.log(10) / 20
    )


@pytest.mark.parametrize(
    "header",
    [
        "frequency [Hz],magnitude [ohm]",
        "Frequency (Hz),|Zt| (Ω)",
        "freq_Hz,impedance_ohm",
        "f [Hz],Zt [V/A]",
        "FREQ (hz),transfer impedance (ohms)",
        '"frequency [Hz]","transfer ratio [V/V]"',
    ],
)
def test_spellings_of_a_header(header: str) -> None:
    table = parse_table(f"{header}\n1000,0.5\n2000,1\n")
    np.testing.assert_array_equal(table.frequency, [1000.0, 2000.0])
    np.testing.assert_array_equal(table.magnitude, [0.5, 1.0])
    assert table.phase is None
    assert table.relative_uncertainty is None


@pytest.mark.parametrize("unit", ["dB(ohm)", "dBohm", "dBΩ", "dB(Ω)", "dB(1 ohm)", "dB"])
def test_spellings_of_decibels(unit: str) -> None:
    table = parse_table(f"frequency [kHz];magnitude [{unit}]\n1;-20\n2;0\n")
    np.testing.assert_allclose(table.magnitude, [0.1, 1.0])


def test_columns_in_any_order_with_decimal_commas_and_a_mark_at_the_start() -> None:
    table = parse_table("\ufeffZt [mohm];f [kHz]\n1500,5;1,5\n2000;2,5;\n")
    np.testing.assert_allclose(table.frequency, [1500.0, 2500.0])
    np.testing.assert_allclose(table.magnitude, [1.5005, 2.0])


def test_tabs() -> None:
    table = parse_table("frequency [Hz]\tmagnitude [ohm]\tphase [rad]\n1\t2\t0.5\n2\t3\t0.25\n")
    assert table.phase is not None
    np.testing.assert_array_equal(table.phase, [0.5, 0.25])


@pytest.mark.parametrize(
    ("column", "value", "expected"),
    [
        ("uncertainty [%]", 4.0, 0.02),  # the caller's coverage factor, 2
        ("expanded uncertainty (k=4) [%]", 4.0, 0.01),
        ("uncertainty [%] (k=1)", 4.0, 0.04),
        ("standard uncertainty [%]", 4.0, 0.04),
        ("standard uncertainty [ohm]", 0.1, 0.05),
        ("relative uncertainty [1]", 0.1, 0.025),  # of a magnitude of 2: absolute in its unit
    ],
)
def test_forms_of_an_uncertainty(column: str, value: float, expected: float) -> None:
    table = parse_table(f"f [Hz],magnitude [ohm],{column}\n1,2,{value}\n2,2,{value}\n")
    assert table.relative_uncertainty is not None
    np.testing.assert_allclose(table.relative_uncertainty, expected)


def test_all_mistakes_come_at_once_each_with_its_line() -> None:
    text = (
        "frequency [Hz],magnitude [ohm]\n"
        "# a remark\n"
        "1000,0.5\n"
        "2000\n"
        "1500,abc\n"
        "900,1\n"
        "3000,-1\n"
        "4000,inf\n"
    )
    assert messages(text) == [
        "line 4: expected 2 values, found 1",
        "line 5: 'abc' is not a finite number",
        "line 6: frequencies must ascend from above 0, found 900 after 1000",
        "line 7: a magnitude must be above 0, found -1",
        "line 8: 'inf' is not a finite number",
    ]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "the table is empty"),
        ("# only a remark\n", "the table is empty"),
        ("f [Hz],colour [nm]\n1,2\n", "line 1: column 'colour [nm]' is not known"),
        ("f [Hz],magnitude [furlong]\n1,2\n", "unit 'furlong' is not one of ohm"),
        ("f,magnitude [ohm]\n1,2\n2,2\n", "column 'f' is not known"),
        ("frequency [],magnitude [ohm]\n1,2\n", "line 1: column"),
        ("f [Hz],phase [deg]\n1,2\n", "line 1: no magnitude column"),
        ("magnitude [ohm],phase [deg]\n1,2\n", "line 1: no frequency column"),
        ("f [Hz],f [Hz],magnitude [ohm]\n", "line 1: more than one frequency column"),
        ("f [Hz],magnitude [ohm],u (k=0) [%]\n1,2,3\n", "coverage factor must be above 0"),
        ("f [Hz],magnitude [ohm]\n1,2\n", "expected at least 2 points, found 1"),
        ("f [Hz],magnitude [ohm]\n0,2\n1,2\n", "line 2: frequencies must ascend from above 0"),
        ("f [Hz],magnitude [ohm],u [%]\n1,2,-1\n", "line 2: an uncertainty must not be negative"),
    ],
)
def test_what_is_said(text: str, expected: str) -> None:
    assert any(expected in message for message in messages(text))
