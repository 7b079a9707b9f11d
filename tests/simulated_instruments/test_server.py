"""Real sockets on 127.0.0.1: splitting of messages, one client at a time, faults, bounded end."""

import socket
import time

import pytest

from simulated_instruments.bench import SimulatedBench


def arm(client):
    client.write(":CHAN2:DISP 1;:CHAN1:RANG 16;:CHAN2:RANG 16")
    client.write(":TIM:RANG 40e-6;:TRIG:SOUR CHAN2;:TRIG:LEV 1;:WAV:POIN:MODE RAW;:WAV:POIN 10000")
    client.write(":SING")
    for _ in range(10_000):
        if not int(client.query(":OPER:COND?")) & 8:
            return
    raise AssertionError("never stopped")


def test_message_split_over_packets_and_two_in_one(serve):
    _, client = serve()
    for part in (b"*I", b"D", b"N?\n*ES", b"E?\n"):
        client.socket.sendall(part)
    assert client.line().startswith("QUILLMOOR INSTRUMENTS,QV-3054,")
    assert client.line() == "0"


def test_resources_are_visa_sockets_on_the_loopback(serve):
    bench, _ = serve()
    assert set(bench.resources) == {"scope", "switch", "ohmmeter"}
    assert all(r.startswith("TCPIP::127.0.0.1::") for r in bench.resources.values())
    assert all(r.endswith("::SOCKET") for r in bench.resources.values())


def test_chosen_port_is_taken():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    with SimulatedBench(ports=(port, 0, 0)) as bench:
        assert bench.resources["scope"] == f"TCPIP::127.0.0.1::{port}::SOCKET"


def test_block_is_exact_and_line_feeds_in_it_do_no_harm(serve):
    _, client = serve()
    arm(client)
    _, data = client.block(":WAV:DATA?")
    assert len(data) == 10_000
    assert client.query("*ESE?") == "0"


def test_line_longer_than_the_input_buffer_is_an_overrun(serve):
    # SCPI-99: -363 Input buffer overrun
    bench, client = serve()
    bench.scope.longest_input = 1000
    client.write("X" * 5000)
    assert client.query(":SYST:ERR?").startswith("-363,")


def test_second_client_waits_until_the_first_has_gone(serve, talk):
    bench, first = serve()
    assert first.query("*ESE?") == "0"
    second = talk(bench.resources["scope"])
    second.write("*ESE?")
    assert second.silent()
    first.close()
    assert second.line() == "0"


def test_second_client_is_told_busy(serve, talk):
    bench, first = serve(second_client="busy")
    first.query("*ESE?")
    second = talk(bench.resources["scope"])
    assert second.line().startswith("busy")
    assert second.file.read() == b""
    assert first.query("*ESE?") == "0"


def test_blocked_command_ends_when_the_client_goes(serve, talk):
    bench, client = serve()
    client.write(":TRIG:SOUR EXT;:TRIG:SWE NORM;:SING;*OPC?")
    assert client.silent()
    client.close()
    other = talk(bench.resources["scope"])
    assert other.query("*ESE?") == "0"


def test_close_is_bounded_even_with_a_blocked_client(talk):
    bench = SimulatedBench().start()
    client = talk(bench.resources["scope"])
    client.write(":TRIG:SOUR EXT;:TRIG:SWE NORM;:SING;*OPC?")
    assert client.silent(0.05)
    bench.close()
    bench.close()
    assert not any(t.is_alive() for s in bench._servers.values() for t in s._threads)
    with pytest.raises(OSError):
        socket.create_connection(("127.0.0.1", client.port), timeout=1).close()


def test_stall_keeps_the_bytes_and_ends_when_the_client_goes(serve, talk):
    bench, client = serve()
    arm(client)
    bench.faults.inject("stall_mid_block", seconds=0.3)
    begun = time.monotonic()
    assert len(client.block(":WAV:DATA?")[1]) == 10_000
    assert time.monotonic() - begun >= 0.3
    bench.faults.inject("stall_mid_block", seconds=60)
    client.write(":WAV:DATA?")
    client.close()
    assert talk(bench.resources["scope"]).query("*ESE?") == "0"


@pytest.mark.parametrize("reset", [False, True])
def test_close_mid_block(serve, talk, reset):
    bench, client = serve()
    arm(client)
    bench.faults.inject("close_mid_block", reset=reset)
    client.write(":WAV:DATA?")
    got = b""
    with pytest.raises(ConnectionResetError) if reset else pytest.raises(EOFError):
        while piece := client.socket.recv(1 << 16):
            got += piece
        raise EOFError
    assert len(got) < 10_000
    assert talk(bench.resources["scope"]).query("*ESE?") == "0"


def test_identity_changes_for_one_connection(serve, talk):
    bench, client = serve()
    true = client.query("*IDN?")
    client.close()
    bench.faults.inject("wrong_identity_after_reconnect")
    wrong = talk(bench.resources["scope"])
    assert wrong.query("*IDN?").split(",")[2] == "QX999999"
    wrong.close()
    assert talk(bench.resources["scope"]).query("*IDN?") == true


def test_entries_appear_in_the_error_queue(serve):
    bench, client = serve()
    bench.faults.inject("error_queue_entries", after=1, entries=[(-310, "fan"), (-240, "relay")])
    client.write("*CLS")
    assert client.query(":SYST:ERR?") == '-310,"System error;fan"'
    assert client.query(":SYST:ERR?") == '-240,"Hardware error;relay"'


def test_settings_that_do_not_stick(serve):
    bench, client = serve()
    before = client.query(":CHAN1:RANG?")
    bench.faults.inject("settings_do_not_stick")
    assert client.query(":CHAN1:RANG 0.08;RANG?") == before
    assert float(client.query(":CHAN1:RANG 0.08;RANG?")) == 0.08


def test_reboot_loses_link_and_settings_and_is_dark_for_a_while(serve, talk):
    bench, client = serve()
    client.query(":CHAN1:RANG 0.08;RANG?")
    bench.faults.inject("reboot", seconds=0.2)
    client.write(":CHAN1:RANG?")
    assert client.file.read() == b""
    refused = 0
    for _ in range(200):
        try:
            again = talk(bench.resources["scope"])
            break
        except ConnectionRefusedError:
            refused += 1
            time.sleep(0.01)
    assert refused
    assert float(again.query(":CHAN1:RANG?")) != 0.08
    assert again.query("*ESR?") == "128"


def test_slow_link_is_slow(serve):
    bench, client = serve()
    arm(client)
    bench.faults.inject("slow_link", rate=50e3)
    begun = time.monotonic()
    assert len(client.block(":WAV:DATA?")[1]) == 10_000
    assert time.monotonic() - begun >= 0.18


def test_trigger_faults_reach_the_scope(serve):
    bench, client = serve()
    arm(client)
    bench.faults.inject("no_trigger")
    client.write(":SING")
    deadline = time.monotonic() + 0.1
    while time.monotonic() < deadline:
        assert int(client.query(":OPER:COND?")) & 8
    client.write(":STOP")
    arm(client)
    assert bench.faults.struck == [("no_trigger", "scope")]
