"""kill -9 of the daemon and its workers at random moments: every run is done exactly once.

The short form kills 4 times; ``python tests/acquire/daemon/crash_campaign.py`` is the long one, and
says what is held.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).with_name("crash_campaign.py")


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("daemon_crash_campaign", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses looks there
    spec.loader.exec_module(module)
    return module


@pytest.mark.crash
@pytest.mark.timeout(400)
def test_everything_submitted_completes_exactly_once_through_kills(script, tmp_path, recipe_text):
    recipe = tmp_path / "short.yaml"
    recipe.write_text(recipe_text)
    with script.laboratory(tmp_path) as folder:
        tally = script.campaign(folder, recipe, kills=4, runs=3, seed=2)

    assert sum(tally.kills.values()) == 4
    assert [len(numbers) for numbers in tally.answered.values()] == [1, 1, 1]
