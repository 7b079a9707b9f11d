"""Whole runs, killed and broken at random moments, lose nothing; run_campaign.py says what is held.

More by ``python tests/crash/run_campaign.py --kills 500 --faults 100``, which prints the table, or
by ``FLOORSHOT_RUN_KILLS=500 FLOORSHOT_RUN_FAULTS=100 pytest --timeout=0 <this file>``.
"""

import importlib.util
import os
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).with_name("run_campaign.py")
KILLS = int(os.environ.get("FLOORSHOT_RUN_KILLS", "12"))
FAULTS = int(os.environ.get("FLOORSHOT_RUN_FAULTS", "6"))

pytestmark = [
    pytest.mark.crash,
    pytest.mark.timeout(600),
    pytest.mark.skipif(not hasattr(os, "pidfd_open"), reason="needs pidfd_open (Linux)"),
]


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("run_campaign", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses looks there
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def laboratory(script, tmp_path):
    made = script.Laboratory(tmp_path)
    yield made
    made.close()


def test_no_kill_of_a_run_loses_an_announced_shot(script, laboratory, record_property):
    campaign = script.Campaign()

    script.kills(laboratory, campaign, KILLS)

    record_property("table", campaign.markdown())
    sys.stdout.write(campaign.markdown() + "\n")
    assert campaign.kills >= KILLS
    for kind, row in campaign.rows.items():
        assert row.resumed == row.equal == row.tried, kind
    assert sum(row.announced for row in campaign.rows.values()) > KILLS // 4


def test_no_failing_disk_and_no_signal_loses_an_announced_shot(script, laboratory):
    campaign = script.Campaign()

    script.faults(laboratory, campaign, FAULTS)

    sys.stdout.write(campaign.markdown() + "\n")
    assert len(campaign.rows) >= 3
    for kind, row in campaign.rows.items():
        assert row.resumed == row.equal == row.tried, kind


def test_the_laboratory_sees_a_shot_that_is_gone(script, laboratory):
    """The campaign can fail: a shot taken out of a spool behind its back is a lost one.

    ``verify`` is the first to see it, and names it.
    """
    with laboratory.station() as (station, _):
        process = station.start()
        process.wait_until(lambda told: len(script.announced(told)) >= 2)
        process.send(script.signal.SIGKILL)
        process.ended()
        next((station.spool / "shots").glob("01_*.h5")).unlink()

        with pytest.raises(AssertionError, match="01_reference_bare"):
            station.check(process.told())
