"""The parser by the published rules: IEEE 488.2 ch. 7 and 8, SCPI-99 vol. 1 ch. 6.

Examples marked "manual" are printed in the manuals that the check values name (Agilent 665xA and
66lxxA, Keysight 6811C, Kepco, Anritsu MS9710C, Agilent 54645A).
"""

import pytest

from simulated_instruments.scpi import Block, Command, CommandTree, Response, split_outside
from simulated_instruments.status import ScpiError
from simulated_instruments.values import Quoted


def ask(instrument, message):
    response = instrument.execute(message.encode())
    return None if response is None else response.join().decode()


def errors(instrument):
    codes = []
    while (entry := instrument.status.pop())[0]:
        codes.append(entry[0])
    return codes


def test_identification_has_four_fields(supply):
    assert ask(supply, "*IDN?") == "QUILLMOOR INSTRUMENTS,,0,0\n"


@pytest.mark.parametrize("header", ["VOLT", "VOLTAGE", "volt", "Voltage", "VOLT:LEV", "SOUR:VOLT"])
def test_short_and_long_forms_optional_nodes_and_case(supply, header):
    ask(supply, f"{header} 3")
    assert ask(supply, f"{header}?") == "3\n"
    assert errors(supply) == []


@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("STAT:QUES?", None),  # manual: QUES and QUESTIONABLE are valid, QUEST is not
        ("STATUS:QUESTIONABLE?", None),
        ("STAT:QUEST?", -113),
        ("OUTP:POL?", None),  # manual: POL and POLARITY are valid, POLAR is not
        ("OUTP:POLARITY?", None),
        ("OUTP:POLAR?", -113),
        ("VOLT", -109),
        ("VOLT 1,2", -108),
        ("VOLT AC", -148),
        ("VOLT 3V", None),
        ("VOLT 3S", -131),
        ("CURR 1", -113),  # a query only
        ("*FOO?", -113),
        ("ABCDEFGHIJKLM 1", -112),  # SCPI-99: more than twelve characters
        ("ABCDEFGHIJKL 1", -113),
        ("OUTP2:POL?", None),
        ("VOLT2 1", -113),
        ('VOLT "1', -151),
        ("*ESE 256", -222),
    ],
)
def test_error_numbers(supply, message, code):
    ask(supply, message)
    assert errors(supply) == ([] if code is None else [code])


def test_bytes_outside_ascii_are_invalid_characters(supply):
    assert supply.execute(b"VOLT \xb5") is None
    assert errors(supply) == [-101]


def test_path_stays_behind_a_semicolon(supply):
    # manual: VOLT:LEV 80;PROT 88;:CURR? is three units
    assert ask(supply, "VOLT:LEV 80;PROT 88;:CURR?") == "1.5\n"
    assert (supply.level, supply.protection) == (80, 88)


def test_path_decides_what_a_header_means(supply):
    # manual: MEAS:VOLT?;CURR? reads MEAS:CURR?, MEAS:VOLT?;:CURR? the set current
    assert ask(supply, "MEAS:VOLT?;CURR?") == "measured volts;measured amperes\n"
    assert ask(supply, "MEAS:VOLT?;:CURR?") == "measured volts;1.5\n"


def test_common_commands_do_not_touch_the_path(supply):
    # IEEE 488.2 10.x with SCPI-99 vol. 1 6.2.4
    assert ask(supply, "MEAS:VOLT?;*ESE 0;CURR?") == "measured volts;measured amperes\n"


def test_each_message_begins_at_the_root(supply):
    ask(supply, "MEAS:VOLT?")
    assert ask(supply, "CURR?") == "1.5\n"


def test_command_error_ends_the_message_and_keeps_what_was_done(supply):
    assert ask(supply, "VOLT 5;NONSENSE 1;PROT 6") is None
    assert (supply.level, supply.protection) == (5, 0)
    assert errors(supply) == [-113]


def test_execution_error_does_not_end_the_message(supply):
    assert ask(supply, "*ESE 300;*ESE?") == "0\n"
    assert errors(supply) == [-222]


def test_operation_complete(supply):
    supply.execute(b"*CLS;*OPC")
    assert ask(supply, "*ESR?;*ESR?;*OPC?") == "1;0;1\n"


def test_event_summary_in_the_status_byte(supply):
    ask(supply, "*CLS;*ESE 32;*SRE 32")
    ask(supply, "NONSENSE")
    assert ask(supply, "*STB?") == f"{4 + 32 + 64}\n"
    assert ask(supply, "*CLS;*STB?;*SRE?") == "0;32\n"


def test_registers_keep_bit_six_out_of_service_enable(supply):
    # IEEE 488.2 10.34: bit 6 of *SRE is ignored
    assert ask(supply, "*SRE 255;*SRE?") == "191\n"


def test_quotes_and_lists_hide_separators():
    assert split_outside('A "x;y";B (@1;2)', ";") == ['A "x;y"', "B (@1;2)"]
    with pytest.raises(ScpiError):
        split_outside('A "x', ";")
    assert Quoted().parse('"x;y"') == "x;y"


def test_two_rows_may_not_claim_one_header():
    with pytest.raises(ValueError, match="claim A"):
        CommandTree([Command("A[:B]"), Command("A")])


@pytest.mark.parametrize(
    ("length", "digits", "header"),
    [  # IEEE 488.2 8.7.9 with the byte strings printed in the manuals
        (4, None, b"#14"),
        (4, 3, b"#3004"),
        (13, None, b"#213"),
        (128, None, b"#3128"),
        (4000, 8, b"#800004000"),
    ],
)
def test_block_headers(length, digits, header):
    block = Block.of(bytes(length), digits)
    assert block.header() == header
    assert Response((block,)).join() == header + bytes(length) + b"\n"


def test_replies_and_blocks_are_joined_by_semicolons():
    response = Response((b"1", Block.of(b"\n;\n"), b"2"))
    assert response.join() == b"1;#13\n;\n;2\n"
    assert response.block is not None


def test_settings_that_do_not_stick_leave_common_commands_alone(supply):
    supply.settings_stick = False
    assert ask(supply, "VOLT 7;VOLT?;*ESE 4;*ESE?") == "0;4\n"


def test_power_cycle_forgets_the_error_queue(supply):
    ask(supply, "NONSENSE")
    supply.power_cycle()
    assert errors(supply) == []
    assert ask(supply, "*ESR?") == "128\n"
