"""Parameters: IEEE 488.2 ch. 7.7 (data types, suffixes) and SCPI-99 vol. 1 ch. 5 to 8."""

import pytest

from simulated_instruments.status import ScpiError
from simulated_instruments.values import (
    Boolean,
    ChannelList,
    Choice,
    Integer,
    Number,
    Quoted,
    Source,
    spellings,
)


def refusal(kind, text):
    with pytest.raises(ScpiError) as caught:
        kind.parse(text)
    return caught.value.code


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("5", 5.0),
        ("-1.5", -1.5),
        (".5", 0.5),
        ("5.", 5.0),
        ("+1E3", 1000.0),
        ("1.5e-3", 0.0015),
        ("20mV", 0.02),
        ("20 MV", 0.02),  # IEEE 488.2 table 7-1: M is milli ...
        ("3KV", 3000.0),
        ("7uV", 7e-6),
    ],
)
def test_decimal_numbers(text, value):
    assert Number("V").parse(text) == pytest.approx(value, rel=1e-12)


def test_m_is_mega_before_hertz_and_ohm():
    # IEEE 488.2 7.7.3.3: MHZ and MOHM are mega, by common use
    assert Number("HZ").parse("20MHZ") == 20e6
    assert Number("OHM").parse("1 MOHM") == 1e6


@pytest.mark.parametrize(
    ("kind", "text", "code"),
    [
        (Number(), "5V", -138),
        (Number("V"), "5S", -131),
        (Number("V"), "5QV", -131),
        (Number("V"), "ON", -148),
        (Number("V"), '"5"', -158),
        (Number("V"), "(@1)", -178),
        (Number("V"), "#15hello", -168),
        (Number("V"), "5..5", -121),
        (Number("V"), "1E999", -222),
        (Boolean(), "MAYBE", -141),
        (Choice("AC|DC"), "GND", -141),
        (Choice("AC|DC"), "1", -128),
        (Quoted(), "text", -148),
        (Quoted(), '"open', -151),
        (ChannelList(), "101", -104),
        (ChannelList(), "(@)", -171),
        (ChannelList(), "(@1:2:3)", -171),
        (ChannelList(), "(@1:1000)", -222),
        (Source("CHANnel"), "EXT", -141),
    ],
)
def test_each_refusal_has_its_number(kind, text, code):
    assert refusal(kind, text) == code


@pytest.mark.parametrize(
    ("mnemonic", "short"),
    [  # as printed in the manuals that teach the rule (Agilent 665xA, Keysight 6811C)
        ("VOLTage", "VOLT"),
        ("STATus", "STAT"),
        ("CURRent", "CURR"),
        ("DELay", "DEL"),
        ("CLEar", "CLE"),
        ("RELay", "REL"),
    ],
)
def test_short_and_long_spelling(mnemonic, short):
    assert spellings(mnemonic) == (short, mnemonic.upper())


def test_words_are_taken_in_exactly_two_spellings():
    slope = Choice("POSitive|NEGative")
    assert slope.parse("pos") == slope.parse("Positive") == "POS"
    assert refusal(slope, "POSI") == -141


def test_booleans_round_numbers():
    # SCPI-99 vol. 1 7.3: a number is rounded; 0 is off, anything else on
    assert [Boolean().parse(t) for t in ("ON", "off", "1", "0", "0.4", "2")] == [
        True, False, True, False, False, True,
    ]  # fmt: skip


def test_integers_are_rounded():
    # IEEE 488.2 7.7.2.4
    assert Integer().parse("2.6") == 3
    assert Integer((("MAXimum", 7.0),)).parse("MAX") == 7


def test_doubled_quotes():
    assert Quoted().parse('"a ""b"" c"') == 'a "b" c'
    assert Quoted().parse("'it''s'") == "it's"


def test_channel_lists():
    # SCPI-99 vol. 1 8.3.2
    assert ChannelList().parse("(@101,203)") == (101, 203)
    assert ChannelList().parse("(@ 101 : 103 , 110)") == (101, 102, 103, 110)
    assert ChannelList().parse("(@3:1)") == (3, 2, 1)


def test_sources():
    assert Source("CHANnel", "EXTernal").parse("chan2") == 2
    assert Source("CHANnel", "EXTernal").parse("CHANNEL3") == 3
    assert Source("CHANnel", "EXTernal").parse("EXTernal") == "EXT"
