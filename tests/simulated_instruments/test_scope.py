"""What all dialects share: every twin of the table, over a real socket."""

import numpy as np
import pytest

from simulated_instruments.dialects import TWINS
from simulated_instruments.models import MODELS
from simulated_instruments.scope import as_bytes, encoded


@pytest.mark.parametrize("dialect", TWINS)
def test_every_twin_identifies_with_the_invented_maker(serve, dialect):
    _, client = serve(dialect)
    reply = client.query("*IDN?").removeprefix("*IDN ")
    assert reply.split(",")[:2] == ["QUILLMOOR INSTRUMENTS", MODELS[dialect].model]


@pytest.mark.parametrize("dialect", TWINS)
def test_every_twin_serves_the_mandatory_common_commands(serve, dialect):
    # IEEE 488.2 10.x: *CLS *ESE *ESR? *IDN? *OPC *RST *SRE *STB? *TST? *WAI
    bench, client = serve(dialect)
    client.write("*CLS")
    client.write("*RST")
    client.write("*ESE 0;*SRE 0;*OPC;*WAI")
    for question in ("*ESE?", "*SRE?", "*TST?", "*STB?", "*OPC?", "*ESR?"):
        assert client.query(question).split()[-1].isdigit(), question
    assert bench.scope.status.entries() == ()


@pytest.mark.parametrize("dialect", TWINS)
def test_every_twin_notes_an_undefined_header(serve, dialect):
    bench, client = serve(dialect)
    client.write("*CLS;NONSENSE:THING 1")
    client.query("*OPC?")
    assert [code for code, _ in bench.scope.status.entries()] == [-113]


@pytest.mark.parametrize("dialect", TWINS)
def test_reset_leaves_an_automatic_sweep_and_no_record(serve, dialect):
    bench, client = serve(dialect)
    client.write("*RST")
    client.query("*OPC?")
    assert bench.scope.acquisition.trigger.auto
    assert bench.scope.acquisition.records == []


def test_repeated_piece_is_encoded_once():
    piece, other = np.zeros(3, np.int16), np.ones(3, np.int16)
    calls = []

    def encode(codes):
        calls.append(codes)
        return as_bytes(codes)

    assert [bytes(b) for b in encoded(iter([piece, piece, other, piece]), encode)] == [
        piece.tobytes(), piece.tobytes(), other.tobytes(), piece.tobytes(),
    ]  # fmt: skip
    assert len(calls) == 3


def test_bytes_of_an_array_are_not_copied_where_they_need_not_be():
    codes = np.array([1, -1], ">i2")
    assert bytes(as_bytes(codes)) == b"\x00\x01\xff\xff"
    assert len(as_bytes(codes[::2])) == 2
