"""What a person sees of an instrument at an address: known, unknown, without profile, dead."""

import re
import socket
import threading
from importlib.resources import files

import pytest

from acquire.cli import invoke
from simulated_instruments.bench import SimulatedBench
from simulated_instruments.dialects import TWINS
from simulated_instruments.models import MODELS


def seen(capsys, *arguments):
    code = invoke(["identify", *arguments])
    out, err = capsys.readouterr()
    return code, out, err


@pytest.fixture
def stranger():
    """A socket that answers any question with an identity of no known maker."""
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def answer():
            client, _ = listener.accept()
            with client:
                client.settimeout(10)
                while client.recv(100):
                    client.sendall(b"NOBODY,X-1,7,0.1\n")

        thread = threading.Thread(target=answer)
        thread.start()
        yield f"TCPIP::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
        thread.join(10)


@pytest.mark.parametrize("dialect", TWINS)
def test_an_oscilloscope_of_every_dialect(dialect, capsys):
    with SimulatedBench(seed=1, dialect=dialect) as bench:
        code, out, err = seen(capsys, bench.resources["scope"])

    assert (code, err) == (0, "")
    assert "maker fits 'quillmoor instruments', model fits 'q" in out
    model = MODELS[dialect]
    for word in (model.model, "oscilloscope", f"up to {model.memory} samples"):
        assert word in out, word
    assert re.search(rf"dialect +{dialect}\b", out)
    assert re.search(r"error queue +clean", out)


@pytest.mark.parametrize(("role", "kind"), [("switch", "relay unit"), ("ohmmeter", "ohmmeter")])
@pytest.mark.parametrize("transport", ["socket", "hislip", "vxi11"])
def test_the_other_instruments_on_every_transport(role, kind, transport, capsys):
    with SimulatedBench(seed=1, transport=transport) as bench:
        code, out, err = seen(capsys, bench.resources[role])

    assert (code, err) == (0, "")
    assert kind in out
    assert "QUILLMOOR INSTRUMENTS" in out
    assert "clean" in out


def test_what_is_in_the_error_queue_is_shown(capsys):
    with SimulatedBench(seed=1) as bench:
        bench.scope.status.push(-113, "Undefined header")
        code, out, _ = seen(capsys, bench.resources["scope"])

    assert code == 0
    assert "held 1: -113 Undefined header" in out


def test_an_unknown_maker_is_told_what_to_do(stranger, capsys):
    code, out, err = seen(capsys, stranger)

    assert code == 2
    assert "NOBODY" in out
    assert "unknown" in out
    assert "drivers/BRING_YOUR_SCOPE.md" in err


def test_a_dead_address_is_one_clear_line(capsys):
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    resource = f"TCPIP::127.0.0.1::{port}::SOCKET"
    code, out, err = seen(capsys, resource, "--timeout", "2 s")

    assert (code, out) == (4, "")
    assert len(err.splitlines()) == 1
    assert resource in err
    assert "nothing listens" in err
    assert err.count("check") + err.count("Check") == 1  # the same advice is not given twice


def test_silence_ends_by_the_timeout(capsys):
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
        code, _, err = seen(capsys, f"TCPIP::127.0.0.1::{port}::SOCKET", "--timeout", "0.3 s")

    assert code == 4
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["no such thing"], "no such thing"),
        (["192.0.2.7"], "'192.0.2.7' is no VISA address"),
        (["192.0.2.7"], "TCPIP::192.0.2.7::5025::SOCKET"),
        (["TCPIP::127.0.0.1::1::SOCKET", "--timeout", "5"], "has no unit"),
    ],
)
def test_bad_input(arguments, word, capsys):
    code, _, err = seen(capsys, *arguments)

    assert code == 2
    assert word in err


def test_an_own_profile_goes_first_and_one_can_be_named(tmp_path, capsys):
    scopes = tmp_path / "scopes"
    scopes.mkdir()
    shipped = files("profiles") / "scopes" / "quillmoor_qv_3054.yaml"
    (scopes / "ours.yaml").write_text(shipped.read_text())
    with SimulatedBench(seed=1) as bench:
        _, own, _ = seen(capsys, bench.resources["scope"], "--profiles", str(tmp_path))
        _, named, _ = seen(capsys, bench.resources["scope"], "--profile", "keysight_3054t")
        code, _, err = seen(capsys, bench.resources["scope"], "--profile", "nothing")

    assert "ours (maker" in own
    assert "keysight_3054t (maker" in named
    assert code == 2
    assert "no scope profile is called 'nothing'" in err
