"""A bench in a process of its own."""

import pytest

from simulated_instruments.process import BenchProcess


def test_serves_until_it_is_closed(talk):
    with BenchProcess(seed=4, dialect="rigol") as bench:
        assert talk(bench.resources["scope"]).query("*IDN?").split(",")[1:3] == [
            "QR-1104",
            "QS000004",
        ]
        port = int(bench.resources["scope"].split("::")[2])
    with pytest.raises(OSError):
        talk(f"TCPIP::127.0.0.1::{port}::SOCKET", timeout=1)


def test_wrong_arguments_are_told(capfd):
    with pytest.raises(RuntimeError, match="did not start"):
        BenchProcess(dialect="nobody")
    assert "nobody" in capfd.readouterr().err
