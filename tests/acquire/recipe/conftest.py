"""One right recipe, to be changed by the tests."""

from pathlib import Path

import pytest
import yaml

import profiles


@pytest.fixture(scope="session")
def text():
    """The shipped recipe."""
    path = Path(profiles.__file__).parent / "recipes" / "bonding_lead.yaml"
    return path.read_text(encoding="utf-8")


@pytest.fixture
def data(text):
    """The same as plain data, by a reader that is not ours."""
    return yaml.safe_load(text)  # noqa: TID251 - what our reader is held against
