"""The book-keeping of faults, and what each block fault puts on the wire."""

import pytest

from simulated_instruments.faults import FAULTS, Close, Faults, Stall, outgoing
from simulated_instruments.scpi import Block, Response

PAYLOAD = bytes(range(100))


def response():
    return Response((Block.of(PAYLOAD),))


def steps(faults, made=None):
    return list(outgoing(made or response(), faults, "scope"))


def wire(found):
    return b"".join(bytes(s) for s in found if not isinstance(s, (Stall, Close)))


def test_without_faults_the_response_is_as_it_is():
    assert wire(steps(Faults())) == b"#3100" + PAYLOAD + b"\n"


def test_counts_opportunities():
    faults = Faults()
    faults.inject("short_block", after=2, count=2)
    struck = [faults.take("short_block", "scope") is not None for _ in range(6)]
    assert struck == [False, False, True, True, False, False]
    assert faults.struck == [("short_block", "scope")] * 2


def test_strikes_only_the_instrument_and_kind_it_is_meant_for():
    faults = Faults()
    faults.inject("short_block", instrument="switch")
    assert faults.take("short_block", "scope") is None
    assert faults.take("garbage", "switch") is None
    assert faults.take("short_block", "switch") is not None


def test_clear_takes_back():
    faults = Faults()
    faults.inject("garbage")
    faults.clear()
    assert faults.take("garbage", "scope") is None


def test_unknown_name_lists_what_there_is():
    with pytest.raises(ValueError, match=r"no fault is called 'nonsense'.*short_block"):
        Faults().inject("nonsense")


def test_parameter_of_the_wrong_kind_is_told():
    faults = Faults()
    faults.inject("late_trigger", seconds="soon")
    fault = faults.take("late_trigger", "scope")
    with pytest.raises(TypeError, match="seconds must be a number, found 'soon'"):
        fault.number("seconds", 1.0)


def test_short_block_promises_more_than_comes():
    faults = Faults()
    faults.inject("short_block")
    assert wire(steps(faults)) == b"#3100" + PAYLOAD[:50] + b"\n"


@pytest.mark.parametrize(("by", "header"), [(-16, b"#284"), (16, b"#3116")])
def test_wrong_length_header_sends_everything(by, header):
    faults = Faults()
    faults.inject("wrong_length_header", by=by)
    assert wire(steps(faults)) == header + PAYLOAD + b"\n"


def test_stall_stands_in_the_middle_and_loses_nothing():
    faults = Faults()
    faults.inject("stall_mid_block", seconds=3.0)
    found = steps(faults)
    at = found.index(Stall(3.0))
    assert 0 < len(wire(found[:at])) < 105
    assert wire(found) == b"#3100" + PAYLOAD + b"\n"


@pytest.mark.parametrize("reset", [False, True])
def test_close_stands_in_the_middle(reset):
    faults = Faults()
    faults.inject("close_mid_block", reset=reset)
    found = steps(faults)
    assert Close(reset) in found
    assert 0 < len(wire(found[: found.index(Close(reset))])) < 105


def test_garbage_is_no_block_and_the_same_for_one_seed():
    def made(seed):
        faults = Faults(seed)
        faults.inject("garbage")
        return wire(steps(faults))

    assert made(1)[:1] != b"#"
    assert len(made(1)) == 101
    assert made(1) == made(1) != made(2)


def test_garbage_reply_strikes_replies_without_a_block():
    faults = Faults()
    faults.inject("garbage_reply")
    assert wire(steps(faults)) == b"#3100" + PAYLOAD + b"\n"
    assert wire(steps(faults, Response((b"1.5",)))) != b"1.5\n"


def test_slow_link_paces_the_same_bytes():
    faults = Faults()
    faults.inject("slow_link", rate=1000)
    found = steps(faults)
    assert wire(found) == b"#3100" + PAYLOAD + b"\n"
    assert sum(s.seconds for s in found if isinstance(s, Stall)) == pytest.approx(106 / 1000)


def test_each_fault_is_explained():
    assert all(len(text) > 20 for text in FAULTS.values())
