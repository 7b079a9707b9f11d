"""What both families with short headers share (dialect facts, sections 6 and 9)."""

import pytest

BOTH = pytest.mark.parametrize("dialect", ["siglent_old", "lecroy"])


@BOTH
def test_headers_and_units_until_switched_off(serve, dialect):
    _, client = serve(dialect)
    assert client.query("C1:VDIV?").startswith("C1:VDIV ")
    assert client.query("C1:VDIV?").endswith("V")
    assert client.query("*IDN?").startswith("*IDN ")
    assert float(client.query("CHDR OFF;C1:VDIV?")) > 0


@BOTH
def test_path_stays_and_headers_without_one_are_found(serve, dialect):
    _, client = serve(dialect)
    client.write("CHDR OFF;C2:VDIV 0.5;OFST 0.1;TDIV 1E-5;VDIV?;TDIV?")
    assert [float(v) for v in client.line().split(";")] == [0.5, 1e-5]


@BOTH
def test_value_out_of_range_is_adapted_and_marked(serve, dialect):
    _, client = serve(dialect)
    assert float(client.query("CHDR OFF;*CLS;C1:VDIV 999;C1:VDIV?")) == 10.0
    assert int(client.query("*STB?")) & 4
    assert int(client.query("*CLS;*STB?")) & 4 == 0


@BOTH
def test_positive_offset_moves_up(serve, dialect):
    bench, client = serve(dialect)
    assert float(client.query("CHDR OFF;C1:OFST 0.5;C1:OFST?")) == 0.5
    assert bench.scope.acquisition.channel(1).offset == -0.5


@BOTH
def test_coupling_and_impedance_are_one_word(serve, dialect):
    bench, client = serve(dialect)
    assert client.query("CHDR OFF;C1:CPL D50;C1:CPL?") == "D50"
    assert bench.scope.acquisition.channel(1).impedance == 50.0
    client.write("C1:CPL GND50")
    assert client.query("EXR?;EXR?") == "24;0", "read and cleared"


@BOTH
def test_unknown_header_is_in_the_command_register(serve, dialect):
    _, client = serve(dialect)
    client.write("CHDR OFF;*CLS;NONSENSE 1")
    assert client.query("CMR?;CMR?") == "1;0"
    assert int(client.query("*ESR?")) & 32


@BOTH
def test_internal_state_register_is_read_and_cleared(serve, poll, dialect):
    _, client = serve(dialect)
    client.write("CHDR OFF;C2:TRA ON;C2:VDIV 2;TRSE EDGE,SR,C2;C2:TRLV 1;TDIV 5E-6;INR?")
    client.line()
    client.write("TRMD SINGLE")
    seen = [int(v) for v in poll(client, "INR?", lambda r: int(r) & 1)]
    assert sum(bool(v & 8192) for v in seen) == 1
    assert client.query("INR?") == "0"
    assert client.query("TRMD?") == "STOP"


@BOTH
def test_stop_and_no_trigger(serve, dialect):
    _, client = serve(dialect)
    client.write("CHDR OFF;TRSE EDGE,SR,EX;TRMD SINGLE")
    assert client.query("TRMD?") == "SINGLE"
    client.write("STOP")
    assert client.query("TRMD?") == "STOP"
    client.write("C1:WF? DAT1" if dialect == "lecroy" else "C1:WF? DAT2")
    assert client.silent()
    assert client.query("EXR?") == "22"
