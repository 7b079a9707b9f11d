"""One right bench profile, to be changed by the tests."""

from pathlib import Path

import pytest

import profiles

SHIPPED = Path(profiles.__file__).parent


@pytest.fixture(scope="session")
def text():
    """The shipped bench profile."""
    return (SHIPPED / "benches" / "wind_tunnel_simulated.yaml").read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def probe_text():
    """A shipped probe profile without a table."""
    return (SHIPPED / "probes" / "clamp_5ohm.yaml").read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def table_text():
    """The table of a shipped probe profile."""
    return (SHIPPED / "probes" / "window_1ohm.csv").read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def window_text():
    """A shipped probe profile with a table."""
    return (SHIPPED / "probes" / "window_1ohm.yaml").read_text(encoding="utf-8")
