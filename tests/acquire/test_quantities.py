"""Quantities: what is read, what is refused and with which words, and the way back."""

import math
from typing import Annotated

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from pydantic import BaseModel, ConfigDict, StringConstraints, ValidationError
from quantiphy import Quantity

from acquire.quantities import (
    PREFIXES,
    UNITS,
    Coverage,
    Decibels,
    DecibelsOrMore,
    Fraction,
    Level,
    Ohms,
    Physical,
    PositiveLevel,
    SampleRate,
    SecondsOrZero,
    Volts,
    format_quantity,
    parse_quantity,
    with_written_defaults,
)


class Settings(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    volts: Volts = 1.0
    ohms: Ohms = 50.0
    delay: SecondsOrZero = 0.0
    rate: SampleRate = 1e9
    gain: Decibels = 0.0
    margin: DecibelsOrMore = 0.0
    level: Level = Physical(0.0, "V")
    peak: PositiveLevel = Physical(1.0, "V")
    part: Fraction = 0.5
    coverage: Coverage = 0.95


# Decimal prefixes: SI Brochure (BIPM, 9th edition), table 7; written from memory.
@pytest.mark.parametrize(
    ("written", "unit", "value"),
    [
        ("50 mV", "V", 0.05),
        ("50mV", "V", 0.05),
        (" 50  mV ", "V", 0.05),
        ("-.5 V", "V", -0.5),
        ("5. V", "V", 5.0),
        ("1e3 kV", "V", 1e6),
        ("2 us", "s", 2e-6),
        ("2 µs", "s", 2e-6),
        ("2 μs", "s", 2e-6),
        ("3 ns", "s", 3e-9),
        ("250 MS/s", "Sa/s", 250e6),
        ("1 GSa/s", "Sa/s", 1e9),
        ("5 ohm", "ohm", 5.0),
        ("1 Mohm", "ohm", 1e6),
        ("1 mohm", "ohm", 1e-3),
        ("1 MΩ", "ohm", 1e6),
        ("1 k\N{OHM SIGN}", "ohm", 1e3),
        ("30 dB", "dB", 30.0),
        ("-3 dB", "dB", -3.0),
        ("95 %", "%", 0.95),
        ("9 kHz", "Hz", 9e3),
        ("1 THz", "Hz", 1e12),
        ("7 pA", "A", 7e-12),
        ("7 fA", "A", 7e-15),
    ],
)
def test_reads_what_people_write(written: str, unit: str, value: float) -> None:
    assert parse_quantity(written, unit) == value


@pytest.mark.parametrize(
    ("written", "unit", "sentence"),
    [
        (5, "V", "5 has no unit; write it in V, like '50 mV'"),
        (0.5, "dB", "0.5 has no unit; write it in dB, like '30 dB'"),
        ("5", "V", "'5' has no unit; write it in V, like '50 mV'"),
        ("1e3", "Hz", "'1e3' has no unit; write it in Hz, like '150 kHz'"),
        ("50 mW", "V", "'50 mW' has the unit 'mW'; write it in V, like '50 mV'"),
        ("fast", "s", "'fast' is not a number with a unit; write it in s, like '2 us'"),
        ("1,5 V", "V", "'1,5 V' has a comma; use a decimal point and write it in V, like '50 mV'"),
        (True, "V", "expected a number with a unit, found true; write it in V, like '50 mV'"),
        (None, "V", "expected a number with a unit, found nothing; write it in V, like '50 mV'"),
        ((), "V", "expected a number with a unit, found a list; write it in V, like '50 mV'"),
        ({}, "V", "expected a number with a unit, found a block of settings; write it in V, "
                  "like '50 mV'"),
        ("1e999 V", "V", "'1e999 V' is too large to be meant; write it in V, like '50 mV'"),
    ],
)  # fmt: skip
def test_refuses_with_a_sentence_that_helps(written: object, unit: str, sentence: str) -> None:
    with pytest.raises(ValueError) as caught:
        parse_quantity(written, unit)
    assert str(caught.value) == sentence


@pytest.mark.parametrize(
    "written",
    ["3 fortnights", "1 min", "50 m", "5 KHz", "5 khz", "3 mdB", "1 m%", "nan V", "inf V", "V", "",
     "1 V 2 V", "1 V\nx", "- 5 V", "1_000 V", "0x10 V", "50 mmV", "5 {x} V", "٥ V"],
)  # fmt: skip
@pytest.mark.parametrize("unit", UNITS)
def test_refuses_what_is_not_exactly_a_listed_unit(written: str, unit: str) -> None:
    with pytest.raises(ValueError, match="write it in"):
        parse_quantity(written, unit)


def test_a_very_long_text_is_refused_and_shortened() -> None:
    with pytest.raises(ValueError) as caught:
        parse_quantity("1" * 100_000 + " V", "V")
    assert len(str(caught.value)) < 200


SENSIBLE = st.floats(min_value=1e-30, max_value=1e30) | st.floats(min_value=-1e30, max_value=-1e-30)
SI_UNITS = st.sampled_from([u.symbol for u in UNITS.values() if u.prefixed])


@given(value=SENSIBLE | st.just(0.0), unit=SI_UNITS)
@example(value=0.05, unit="V")
@example(value=999.9999999999999, unit="V")
def test_seventeen_digits_come_back_exactly(value: float, unit: str) -> None:
    assert parse_quantity(format_quantity(value, unit, digits=17), unit) == value


@given(value=SENSIBLE, unit=st.sampled_from(list(UNITS)), digits=st.integers(2, 12))
def test_fewer_digits_come_back_to_half_a_last_digit(value: float, unit: str, digits: int) -> None:
    back = parse_quantity(format_quantity(value, unit, digits), unit)
    # the last digit is worth 10**(1-digits) of a leading digit that is at least 1
    assert math.isclose(back, value, rel_tol=0.5000001 * 10.0 ** (1 - digits))


@given(
    mantissa=st.decimals(min_value=-9999, max_value=9999, places=4),
    prefix=st.sampled_from(sorted(PREFIXES)),
)
def test_agrees_with_an_independent_reader(mantissa: object, prefix: str) -> None:
    # quantiphy (general-purpose library) reads the same text
    text = f"{mantissa} {prefix}V"
    assert parse_quantity(text, "V") == float(Quantity(text))


@given(st.text(max_size=80), st.sampled_from(list(UNITS)))
def test_any_text_gives_a_finite_number_or_a_sentence(written: str, unit: str) -> None:
    try:
        value = parse_quantity(written, unit)
    except ValueError as error:
        value, sentence = 0.0, str(error)
    else:
        sentence = "write it in"
    assert math.isfinite(value)
    assert "write it in" in sentence


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.05, "V", "50 mV"),
        (2.5e9, "Sa/s", "2.5 GSa/s"),
        (0.0, "A", "0 A"),
        (-1.23456e-6, "A", "-1.235 uA"),
        (19.5312, "dB", "19.53 dB"),
        (0.02, "%", "2 %"),
        (1e6, "ohm", "1 Mohm"),
        (999.96, "V", "1 kV"),
        (math.inf, "ohm", "inf ohm"),
    ],
)
def test_formats_for_people(value: float, unit: str, text: str) -> None:
    assert format_quantity(value, unit) == text


def test_physical_prints_itself() -> None:
    assert str(Physical(0.5, "A")) == "500 mA"


@pytest.mark.parametrize(
    ("field", "written", "value"),
    [
        ("volts", "50 mV", 0.05),
        ("delay", "0 s", 0.0),
        ("gain", "-3 dB", -3.0),
        ("level", "-0.5 A", Physical(-0.5, "A")),
        ("level", "50 mV", Physical(0.05, "V")),
        ("part", "2 %", 0.02),
        ("part", 0, 0.0),
        ("part", 1, 1.0),
        ("coverage", 0.99, 0.99),
    ],
)
def test_types_read(field: str, written: object, value: object) -> None:
    assert getattr(Settings.model_validate({field: written}), field) == value


@pytest.mark.parametrize(
    ("field", "written", "part"),
    [
        ("volts", "0 V", "'0 V' must be more than zero"),
        ("volts", "-1 V", "must be more than zero"),
        ("delay", "-1 us", "must be zero or more"),
        ("margin", "-1 dB", "must be zero or more"),
        ("peak", "0 A", "must be more than zero"),
        ("level", "5 ohm", "'5 ohm' has the unit 'ohm'; write it in A or V"),
        ("part", 95, "95 has no unit; for percent write '95 %'"),
        ("part", 120, "'120' must be at least 0 and at most 1, like '95 %' or 0.95"),
        ("part", "101 %", "must be at least 0 and at most 1"),
        ("part", True, "found true"),
        ("part", "0.95", "'0.95' has no unit; write it in %"),
        ("part", math.nan, "must be at least 0"),
        ("coverage", 1, "less than 1"),
        ("coverage", "0 %", "more than 0"),
    ],
)
def test_types_refuse(field: str, written: object, part: str) -> None:
    with pytest.raises(ValidationError) as caught:
        Settings.model_validate({field: written})
    (error,) = caught.value.errors()
    assert error["type"] == "quantity"
    assert part in error["msg"]


@given(
    field=st.sampled_from(sorted(Settings.model_fields)),
    written=st.from_regex(r"\A-?[0-9]{1,3}(\.[0-9])? [kmu]?(V|A|ohm|s|Sa/s|dB|%|Hz)\Z")
    | st.floats(-2, 2),
)
def test_json_schema_and_reader_agree_on_the_form(field: str, written: object) -> None:
    """What the reader takes, the schema takes; the schema cannot tell the sign of a quantity."""
    schema = Draft202012Validator(Settings.model_json_schema()["properties"][field])
    try:
        Settings.model_validate({field: written})
    except ValidationError as error:
        form_is_right = "than zero" in str(error) or "zero or more" in str(error)
    else:
        form_is_right = True
    if form_is_right:
        schema.validate(written)
    elif isinstance(written, str) and "%" not in written:
        assert not schema.is_valid(written)


def test_minus_nothing_is_nothing() -> None:
    assert math.copysign(1, parse_quantity("-0 V", "V")) == 1


def test_defaults_of_a_schema_are_written_as_people_write_them() -> None:
    class Outer(BaseModel):
        inner: Settings = Settings()
        named: dict[Annotated[str, StringConstraints(pattern="^x$")], Volts] = {}

    schema = with_written_defaults(Outer.model_json_schema())
    inner = schema["$defs"]["Settings"]["properties"]

    assert inner["ohms"]["default"] == "50 ohm"
    assert inner["rate"]["default"] == "1 GSa/s"
    assert inner["margin"]["default"] == "0 dB"
    assert inner["part"]["default"] == 0.5  # a plain number may be written
    assert "default" not in schema["properties"]["inner"]
    assert schema["properties"]["named"]["additionalProperties"] is False
    for name, node in inner.items():
        if "unit" in node:
            Settings.model_validate({name: node["default"]})
