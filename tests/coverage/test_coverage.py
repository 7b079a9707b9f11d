"""The short form of the coverage campaign: fewer runs, the regimes together, real thresholds.

The long form prints the table of acquire/analysis/README.md. The thresholds are those of the goal
(93 to 98 % overall, false bounds under 5 %, bias under 0.3 dB from 6 dB above the averaged floor),
widened by what so few runs scatter: three standard deviations of a binomial.
"""

import importlib.util
import math
import sys
from pathlib import Path

import numpy as np
import pytest

RUNS = 4
GOAL = 0.95


@pytest.fixture(scope="module")
def rows():
    path = Path(__file__).with_name("campaign.py")
    spec = importlib.util.spec_from_file_location("coverage_campaign", path)
    campaign = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = campaign  # its dataclasses look there for their own module
    spec.loader.exec_module(campaign)
    return campaign.run(list(campaign.regimes()), RUNS)


def holds(row):
    return row.low <= row.truth <= row.high


@pytest.mark.timeout(400)
def test_the_intervals_hold_the_truth_as_often_as_they_say(rows):
    valid = [row for row in rows if row.state != "invalid"]
    share = sum(map(holds, valid)) / len(valid)
    # the three measures of one run share their records, so a third of the rows count
    scatter = math.sqrt(GOAL * (1 - GOAL) / (len(valid) / 3))

    assert share > GOAL - 0.02 - 3 * scatter
    assert share < 1.0


@pytest.mark.timeout(400)
def test_hardly_any_bound_is_false(rows):
    bounds = [row for row in rows if row.state == "floor-limited"]

    assert len(bounds) > 20
    assert sum(not holds(row) for row in bounds) / len(bounds) < 0.05


@pytest.mark.timeout(400)
def test_the_bias_is_small_where_the_residual_is_clear(rows):
    clear = {}
    for row in rows:
        if row.state == "resolved" and row.clear > 6.0 and "do not repeat" not in row.regime:
            clear.setdefault((row.regime, row.measure), []).append(row.db - row.truth)

    assert len(clear) > 40
    for key, errors in clear.items():
        # with its own scatter, for so few runs
        allowed = 0.3 + 3 * np.std(errors) / math.sqrt(len(errors))
        assert abs(np.mean(errors)) < allowed, key
