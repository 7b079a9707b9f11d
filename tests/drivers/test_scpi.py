"""What instruments write, and what may never be made of it."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import scpi
from drivers.errors import AnswerError, InstrumentError


# -- blocks: IEEE 488.2-1992, 8.7.9 (definite) and 8.7.10 (indefinite length) -----------------
@pytest.mark.parametrize(("opening", "digits"), [(b"#1", 1), (b"#9", 9)])
def test_block_digits(opening, digits):
    assert scpi.block_digits(opening) == digits


@pytest.mark.parametrize("opening", [b"", b"#", b"1#", b"#0", b"#A", b"# ", b"##", b"#12"])
def test_opening_that_is_no_definite_block(opening):
    with pytest.raises(AnswerError):
        scpi.block_digits(opening)


def test_block_length():
    assert scpi.block_length(b"000042", 42) == 42


@pytest.mark.parametrize("digits", [b"", b" 4", b"-1", b"4.", b"\xb2"])
def test_block_length_that_is_no_number(digits):
    with pytest.raises(AnswerError):
        scpi.block_length(digits, 10)


def test_block_length_beyond_the_limit():
    with pytest.raises(AnswerError, match="43 bytes; at most 42"):
        scpi.block_length(b"43", 42)


# -- numbers: IEEE 488.2-1992, 8.7.2 (NR1), 8.7.3 (NR2), 8.7.4 (NR3) --------------------------
@pytest.mark.parametrize(
    ("answer", "value"),
    [
        ("4", 4.0),
        ("+4", 4.0),
        ("-0.5", -0.5),
        (".5", 0.5),
        ("5.", 5.0),
        ("+1.25E-03", 1.25e-3),
        (" 4.0e0\r", 4.0),
    ],
)
def test_number(answer, value):
    assert scpi.number(answer) == value


@pytest.mark.parametrize("answer", ["", "1,2", "0x10", "1_000", "nan", "inf", "four", "1 V", "--1"])
def test_what_is_no_number(answer):
    with pytest.raises(AnswerError):
        scpi.number(answer)


# SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5: 9.9E37, -9.9E37 and 9.91E37.
@pytest.mark.parametrize("answer", ["9.9E37", "+9.9E+37", "9.90000E+37", "99.999E+36"])
def test_overload_is_infinite(answer):
    assert scpi.number(answer) == math.inf


def test_negative_overload():
    assert scpi.number("-9.9E37") == -math.inf


def test_not_a_number():
    assert math.isnan(scpi.number("+9.91E+37"))


@given(st.floats(-1e37, 1e37))
def test_number_reads_back_every_ordinary_float(value):
    assert scpi.number(f"{value:.17E}") == value


@pytest.mark.parametrize("answer", ["9.9E37", "9.91E37"])
def test_finite_refuses_overload(answer):
    with pytest.raises(AnswerError, match="gain"):
        scpi.finite(answer, "gain")


@pytest.mark.parametrize("answer", ["0", "-1", "9.9E37", "9.91E37"])
def test_positive_refuses(answer):
    with pytest.raises(AnswerError):
        scpi.positive(answer)


@pytest.mark.parametrize(("answer", "value"), [("8", 8), ("+8", 8), ("8.0E0", 8), ("-3", -3)])
def test_integer(answer, value):
    assert scpi.integer(answer) == value


@pytest.mark.parametrize("answer", ["8.5", "9.9E37", "9.91E37", ""])
def test_what_is_no_integer(answer):
    with pytest.raises(AnswerError):
        scpi.integer(answer)


# The forms of a reply with its unit, as printed in S1 (Siglent programming guide) p142-143.
@pytest.mark.parametrize(
    ("answer", "value"),
    [
        ("1.00GSa/s", 1e9),
        ("-5.000000ns", -5e-9),
        ("5.00E-01V", 0.5),
        ("500MSa/s", 5e8),
        ("7K", 7e3),
    ],
)
def test_suffixed_number(answer, value):
    assert scpi.suffixed_number(answer) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("answer", ["1.00 furlong", "GSa/s", "1Q"])
def test_unknown_suffix(answer):
    with pytest.raises(AnswerError):
        scpi.suffixed_number(answer)


def test_numbers():
    assert scpi.numbers("+1,2.5,-3E0") == (1.0, 2.5, -3.0)


def test_numbers_of_the_wrong_count():
    with pytest.raises(AnswerError, match="expected 10 numbers, got 2"):
        scpi.numbers("1,2", 10)


# -- words ------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("answer", "value"), [("1", True), ("on", True), ("0", False), ("OFF", False)]
)
def test_boolean(answer, value):
    assert scpi.boolean(answer) is value


def test_what_is_no_boolean():
    with pytest.raises(AnswerError):
        scpi.boolean("2")


@pytest.mark.parametrize("answer", ["POS", "positive", "Positive", '"POS"'])
def test_keyword_short_and_long(answer):
    assert scpi.keyword(answer, {"POSitive": 1, "NEGative": 2}) == 1


@pytest.mark.parametrize("answer", ["POSI", "P", "", "EITH"])
def test_unknown_keyword(answer):
    with pytest.raises(AnswerError, match="expected one of POSitive, NEGative"):
        scpi.keyword(answer, {"POSitive": 1, "NEGative": 2})


# IEEE 488.2-1992, 8.7.8: a quote inside a string response is doubled.
@pytest.mark.parametrize(
    ("answer", "text"),
    [('"a ""b"" c"', 'a "b" c'), ("'it''s'", "it's"), ("bare", "bare"), ('"', '"')],
)
def test_unquoted(answer, text):
    assert scpi.unquoted(answer) == text


# -- identity ---------------------------------------------------------------------------------
def test_identity_as_printed_in_a_manual():
    """R&S RTO User Manual, p423 (facts key RS7)."""
    found = scpi.identity("Rohde&Schwarz,RTO,1316.1000k14/200153,1.30.0.25")
    assert (found.maker, found.model) == ("Rohde&Schwarz", "RTO")
    assert (found.serial, found.firmware) == ("1316.1000k14/200153", "1.30.0.25")


def test_identity_takes_a_header_off_and_trims():
    found = scpi.identity("*IDN QUILLMOOR INSTRUMENTS , QD-4034, 7 ,1.0\r")
    assert (found.maker, found.model, found.serial) == ("QUILLMOOR INSTRUMENTS", "QD-4034", "7")
    assert found.raw == "QUILLMOOR INSTRUMENTS , QD-4034, 7 ,1.0"  # a resumed run compares it


def test_identity_keeps_commas_of_the_firmware_field():
    assert scpi.identity("A,B,C,1,2").firmware == "1,2"


def test_identity_of_two_fields():
    assert scpi.identity("A,B").serial == ""


@pytest.mark.parametrize("answer", ["", "A", ",", "A,"])
def test_what_is_no_identity(answer):
    with pytest.raises(AnswerError, match="maker, model, serial"):
        scpi.identity(answer)


# -- errors -----------------------------------------------------------------------------------
# SCPI-99 volume 2, 21.8: the queue's entries, with the standard's own numbers and texts.
def test_error_entry():
    assert scpi.error_entry('-113,"Undefined header;FOO"') == InstrumentError(
        -113, "Undefined header;FOO"
    )


@pytest.mark.parametrize("answer", ['0,"No error"', '+0,"No error"', "0", "0,No error"])
def test_empty_error_queue(answer):
    assert scpi.error_entry(answer) is None


def test_error_entry_that_is_none():
    with pytest.raises(AnswerError):
        scpi.error_entry("No error")


def test_event_list():
    """Event codes 2244 and 420 as named in T4 (TDS200/1000/2000 programmer manual) p2-84."""
    answer = '2244,"Waveform requested is not ON, CH2",420,"Query UNTERMINATED"'
    assert [(e.code, e.text) for e in scpi.event_list(answer)] == [
        (2244, "Waveform requested is not ON, CH2"),
        (420, "Query UNTERMINATED"),
    ]


@pytest.mark.parametrize(
    "answer",
    ['0,"No events to report - queue empty"', '1,"No events to report - new events pending *ESR?"'],
)
def test_empty_event_list(answer):
    assert scpi.event_list(answer) == ()


def test_odd_event_list():
    with pytest.raises(AnswerError, match="pairs"):
        scpi.event_list('2244,"a",420')


def test_shown_cuts_long_answers():
    assert scpi.shown("x" * 100, 5) == "'xxxxx' (100 characters)"


@pytest.mark.parametrize(
    ("answer", "value", "same"),
    [
        ("CHAN1", "CHANnel1", True),  # SCPI-99 volume 1, section 6.2.1: short and long form
        ("CHANNEL1", "CHANnel1", True),
        ('"CH1"', "CH1", True),
        ("CHAN2", "CHANnel1", False),
        ("CHAN11", "CHANnel1", False),
        ("LSBF", "LSBFirst", True),
        ("MSBF", "LSBFirst", False),
        ("+3.0E+00", "3", True),
        ("2", "3", False),
        ("-2", "-2", True),
        ("", "1", False),
    ],
)
def test_same_value(answer, value, same):
    assert scpi.same_value(answer, value) is same
