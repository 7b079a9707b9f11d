"""Whatever the other end of the wire does, an operation ends by its deadline with our own error."""

from __future__ import annotations

import socket
import threading
import time

import numpy as np
import pytest
import pyvisa

from drivers.errors import AnswerError, DriverError, LinkLostError, RequestError, TimedOutError
from drivers.link import Link, LinkPolicy

PATIENCE = 8.0  # seconds; far above every deadline used here, far below a hang


@pytest.fixture(autouse=True)
def _bounded():
    """No test of this module may take long: a hang is the failure that it looks for."""
    begun = time.monotonic()
    yield
    assert time.monotonic() - begun < PATIENCE


def echo(peer):
    """Answer ``*IDN?``, and each other query with itself."""
    while True:
        line = peer.line()
        if line == "*IDN?":
            peer.send(b"QUILLMOOR INSTRUMENTS,QV-3054,1,0.1\n")
        elif line.endswith("?"):
            peer.send(line.encode() + b"\n")


def answers(*replies):
    """Answer the queries of one connection with these bytes, then stall."""

    def handler(peer):
        for reply in replies:
            peer.line()
            peer.send(reply)
        peer.stall()

    return handler


# -- what works ------------------------------------------------------------------------------------
def test_query_returns_the_answer_without_its_line_end(serve, connect):
    assert connect(serve(echo).resource).query("A?") == "A?"


def test_carriage_return_before_the_line_end_is_taken_off(serve, connect):
    assert connect(serve(answers(b"1.5\r\n")).resource).query("A?") == "1.5"


@pytest.mark.parametrize("digits", range(1, 10))
def test_block_header_may_have_any_number_of_digits(serve, connect, digits):
    header = b"#%d" % digits + b"5".zfill(digits)
    link = connect(serve(answers(header + b"\n\n#\n\n" + b"\n")).resource)
    assert link.query_block("DATA?").tobytes() == b"\n\n#\n\n"


def test_block_is_counted_however_the_packets_are_split(serve, connect):
    data = np.random.default_rng(1).integers(0, 256, 3000, dtype=np.uint8)
    wire = b"#43000" + data.tobytes() + b"\n"

    def dribble(peer):
        peer.connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        peer.line()
        for at in range(0, len(wire), 7):
            peer.send(wire[at : at + 7])
        echo(peer)

    link = connect(serve(dribble).resource)
    out = np.zeros(4000, np.uint8)
    assert link.query_block_into("DATA?", out) == 3000
    assert np.array_equal(out[:3000], data)
    assert not out[3000:].any()
    assert link.query("NEXT?") == "NEXT?"


def test_header_words_before_a_block_are_skipped_only_where_allowed(serve, connect):
    reply = b"C1:WF DAT1,#13abc\n"
    assert connect(serve(answers(reply)).resource).query_block("A?", prefix=20).tobytes() == b"abc"
    with pytest.raises(AnswerError, match="opens with '#'"):
        connect(serve(answers(reply)).resource).query_block("A?")


def test_empty_block(serve, connect):
    assert connect(serve(answers(b"#10\n")).resource).query_block("A?").size == 0


def test_wire_log_shows_both_directions_in_order(serve, connect):
    seen = []
    link = connect(
        serve(answers(b"4\n", b"#13abc\n")).resource,
        wire_log=lambda at, direction, what: seen.append((at, direction, what)),
    )
    link.query("A?")
    link.query_block("B?")
    assert [entry[1:] for entry in seen] == [("out", "A?"), ("in", "4"), ("out", "B?"), ("in", 3)]
    assert sorted(at for at, *_ in seen) == [at for at, *_ in seen]


# -- what the instrument does wrong ----------------------------------------------------------------
@pytest.mark.parametrize(
    ("reply", "words"),
    [
        (b"garbage\n", "opens with '#', got b'g'"),
        (b"#X12abc\n", "a digit must follow"),
        (b"#0abc\n", "indefinite length"),
        (b"#2x1abc\n", "length as b'x1'"),
        (b"#9999999999", "999999999 bytes; at most 1000"),
        (b"#13abcdef\n", "followed by"),
    ],
    ids=["garbage", "letter", "indefinite", "no digits", "oversize", "long block"],
)
def test_bad_block_is_refused(serve, connect, reply, words):
    link = connect(serve(answers(reply)).resource)
    with pytest.raises(AnswerError, match=words) as caught:
        link.query_block("DATA?", limit=1000)
    assert caught.value.instrument == f"scope ({link.resource})"


def test_block_larger_than_the_buffer_is_refused_before_anything_is_stored(serve, connect):
    link = connect(serve(answers(b"#13abc\n")).resource)
    out = np.zeros(2, np.uint8)
    with pytest.raises(AnswerError, match="3 bytes; at most 2"):
        link.query_block_into("DATA?", out)
    assert not out.any()


def test_answer_that_is_no_text_is_refused(serve, connect):
    with pytest.raises(AnswerError, match="expected text"):
        connect(serve(answers(b"\xff\xfe\n")).resource).query("A?")


def test_answer_that_the_parser_refuses_names_the_command_and_dirties_the_link(serve, connect):
    link = connect(serve(echo).resource)
    with pytest.raises(AnswerError, match=r"the answer to 'RANGE\?': could not be"):
        link.ask("RANGE?", lambda _: (_ for _ in ()).throw(AnswerError("could not be")))
    assert not link.usable


# -- faults of the wire ---------------------------------------------------------------------------
def stall_mid_block(peer):
    peer.line()
    peer.send(b"#6100000" + bytes(5000))
    peer.stall()


def trickle(peer):
    peer.line()
    peer.send(b"#6100000")
    while not peer.released.wait(0.02):
        peer.send(b"\0")


def fin_mid_block(peer):
    peer.line()
    peer.send(b"#6100000" + bytes(5000))


def rst_mid_block(peer):
    peer.line()
    peer.send(b"#6100000" + bytes(5000))
    peer.reset()


def short_block(peer):
    peer.line()
    peer.send(b"#210abcde\n")
    peer.stall()


def no_terminator(peer):
    peer.line()
    peer.send(b"#210abcdefghij")
    peer.stall()


def silent(peer):
    peer.line()
    peer.stall()


FAULTS = [
    (stall_mid_block, TimedOutError),
    (trickle, TimedOutError),
    (fin_mid_block, LinkLostError),
    (rst_mid_block, LinkLostError),
    (short_block, TimedOutError),
    (no_terminator, TimedOutError),
    (silent, TimedOutError),
]


@pytest.mark.parametrize(("fault", "error"), FAULTS, ids=[f.__name__ for f, _ in FAULTS])
def test_fault_in_a_block_ends_in_our_error_and_a_dirty_link(serve, connect, fault, error):
    link = connect(serve(fault).resource)
    with pytest.raises(error, match=r"scope \(TCPIP.*DATA\?"):
        link.query_block("DATA?")
    with pytest.raises(LinkLostError, match="must be reopened before use"):
        link.query("*IDN?")
    with pytest.raises(LinkLostError, match="must be reopened before use"):
        link.write("*CLS")


@pytest.mark.parametrize(
    ("fault", "error"), [(silent, TimedOutError), (fin_mid_block, LinkLostError)]
)
def test_fault_in_a_text_answer(serve, connect, fault, error):
    with pytest.raises(error):
        connect(serve(fault).resource).query("A?")


def test_write_to_a_peer_that_does_not_read_ends(serve, connect):
    link = connect(serve(lambda peer: peer.stall()).resource)
    with pytest.raises(TimedOutError, match="sending"):
        link.write("A" * 40_000_000)


def test_a_late_answer_is_never_taken_for_the_next_one(serve, connect):
    """The second query's answer is its own, and the late one to the first is not seen."""
    late = threading.Event()

    def handler(peer):
        assert peer.line() == "SLOW?"
        late.wait(5)
        peer.send(b"stale\n")
        echo(peer)

    server = serve(handler)
    link = connect(server.resource)
    with pytest.raises(TimedOutError):
        link.query("SLOW?")
    late.set()
    with pytest.raises(LinkLostError):
        link.query("FAST?")
    server.handler = echo
    link.reopen()
    assert link.query("FAST?") == "FAST?"


def test_an_answer_that_nobody_asked_for_is_found_before_the_next_question(serve, connect):
    sent = threading.Event()

    def handler(peer):
        peer.line()
        peer.send(b"1\nextra\n")
        sent.set()
        peer.stall()

    link = connect(serve(handler).resource)
    assert link.query("A?") == "1"
    assert sent.wait(5)
    with pytest.raises(AnswerError, match="came without being asked for"):
        link.query("B?")


def test_use_after_the_peer_left(serve, connect):
    gone = threading.Event()

    def handler(peer):
        peer.connection.close()
        gone.set()

    link = connect(serve(handler).resource)
    assert gone.wait(5)
    with pytest.raises(LinkLostError):
        link.query("A?")


# -- opening, reopening, closing -------------------------------------------------------------------
def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as one:
        return int(one.getsockname()[1])


@pytest.mark.parametrize(
    "kind",
    [
        "TCPIP::127.0.0.1::{}::SOCKET",
        "TCPIP::127.0.0.1::hislip0,{}::INSTR",
        "TCPIP::127.0.0.1,{}::inst0::INSTR",
    ],
)
def test_nothing_listens(policy, kind):
    link = Link(kind.format(free_port()), name="relay unit", policy=policy)
    with pytest.raises(LinkLostError, match=r"relay unit .*nothing listens at this address; check"):
        link.open()


def test_nobody_accepts(policy):
    """A listener whose queue is full lets a connection attempt hang: the open time-out ends it."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        address = listener.getsockname()
        fillers = [socket.socket() for _ in range(4)]
        for one in fillers:
            one.setblocking(False)
            one.connect_ex(address)
        try:
            with pytest.raises(LinkLostError, match="no connection"):
                Link(f"TCPIP::127.0.0.1::{address[1]}::SOCKET", policy=policy).open()
        finally:
            for one in fillers:
                one.close()


@pytest.mark.parametrize("resource", ["", "scope 1", "TCPIP::", "TCPIP::127.0.0.1::x::SOCKET"])
def test_resource_that_is_none(policy, resource):
    with pytest.raises((RequestError, LinkLostError), match="check"):
        Link(resource, policy=policy).open()


def test_unopened_link_refuses(policy):
    with pytest.raises(LinkLostError, match="never opened"):
        Link("TCPIP::127.0.0.1::1::SOCKET", policy=policy).query("A?")


def test_reopen_tries_as_often_as_the_policy_says(policy):
    link = Link(f"TCPIP::127.0.0.1::{free_port()}::SOCKET", policy=policy)
    with pytest.raises(LinkLostError, match=r"not reopened in 2 tries; .*nothing listens"):
        link.reopen()


def test_reopen_succeeds_on_a_later_try(policy):
    port = free_port()
    opened = threading.Event()
    listener = socket.socket()
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.bind(("127.0.0.1", port))
    threading.Timer(0.2, lambda: (listener.listen(), opened.set())).start()
    patient = LinkPolicy(timeout=0.4, open_timeout=1, reconnects=6, reconnect_wait=0.05)
    link = Link(f"TCPIP::127.0.0.1::{port}::SOCKET", policy=patient)
    try:
        link.reopen()
        assert opened.is_set()
        assert link.usable
    finally:
        link.close()
        listener.close()


def test_clear_of_a_socket_is_a_new_connection(serve, connect):
    server = serve(echo)
    link = connect(server.resource)
    link.clear()
    assert link.query("A?") == "A?"
    assert server.accepted == 2


def test_close_twice_and_in_mid_use(serve, connect):
    link = connect(serve(echo).resource)
    link.close()
    link.close()
    with pytest.raises(LinkLostError, match="it was closed"):
        link.query("A?")


def test_handles_do_not_pile_up(serve, policy):
    server = serve(echo)
    link = Link(server.resource, policy=policy)
    link.open()
    sessions = pyvisa.ResourceManager("@py").visalib.sessions
    before = len(sessions)
    for _ in range(20):
        link.reopen()
    assert len(sessions) == before
    link.close()
    assert len(sessions) == before - 1


def test_two_threads_at_once_are_refused(serve, connect):
    inside = threading.Event()

    def handler(peer):
        peer.line()
        inside.set()
        peer.stall()

    link = connect(serve(handler).resource)
    caught = []

    def ask():
        try:
            link.query("A?")
        except DriverError as error:
            caught.append(error)

    thread = threading.Thread(target=ask)
    thread.start()
    assert inside.wait(5)
    with pytest.raises(RuntimeError, match="two threads"):
        link.query("B?")
    thread.join(5)
    assert isinstance(caught[0], TimedOutError)


def test_an_interrupt_in_mid_exchange_dirties_the_link(serve, connect, monkeypatch):
    link = connect(serve(echo).resource)

    def interrupt(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(link._channel, "read_line", interrupt)
    with pytest.raises(KeyboardInterrupt):
        link.query("A?")
    monkeypatch.undo()
    with pytest.raises(LinkLostError, match="interrupted"):
        link.query("A?")
