"""One recipe, byte for byte the same, on every kind of oscilloscope and over three transports.

The benches differ as sites do: other oscilloscope, other resolution, other memory, other bandwidth,
one of them without a 50 ohm input. What is measured is the same circuit, whose truth is known
(``Circuit.truth_attenuation``), so intervals that all hold it also agree with each other. The seed
is fixed, and the source is steady: its drift is told from the clock on the wall, which a busy
machine stretches. That intervals hold the truth as often as they say, with drift, is
test_truth.py's to show.
"""

import functools
import hashlib
import itertools
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from acquire.bench import parse_bench
from acquire.cli import simulated_profile
from acquire.recipe import parse_recipe
from acquire.run.runner import run
from acquire.runfile import RunFile, verify
from drivers.catalogue import DIALECTS
from simulated_instruments.bench import SimulatedBench
from simulated_instruments.models import MODELS
from simulated_instruments.scenario import Scenario

SEED = 5
OTHER_TRANSPORTS = ("hislip", "vxi11")
OTHERS = ("keysight_infiniivision", "lecroy", "rohde_schwarz", "tektronix_old")
STEADY = replace(Scenario(), drift=0.0, wander=(0.0, 1.0))
START, DURATION, RATE = -1e-6, 10e-6, 125e6
RECIPE = Path(__file__).resolve().parents[2] / "profiles" / "recipes" / "bonding_lead.yaml"
SHORTER = {
    "duration: 40 us": "duration: 10 us",  # the smallest memory here holds 2500 samples
    "pre_trigger: 4 us": "pre_trigger: 1 us",
    "250 MS/s": "125 MS/s",
    "minimum_bandwidth: 100 MHz": "minimum_bandwidth: 60 MHz",
    "repeats: 32": "repeats: 5",
    "[peak_to_peak, rms, band_b]": "[rms]",
}
FIFTY_OHM = (
    "    input_impedance: 50 ohm\n"
    "    maximum_input: 10 V # the data sheet of the scope says what its input survives\n"
)


def recipe_text():
    text = RECIPE.read_text()
    for old, new in SHORTER.items():
        assert old in text, old
        text = text.replace(old, new)
    return text


@pytest.fixture(scope="module")
def recipe():
    return parse_recipe(recipe_text(), "bonding_lead.yaml")


@pytest.fixture(scope="module")
def one_candidate():
    """The same without two of its candidates, for what is not about numbers."""
    text = recipe_text()
    for name in ("triple_core", "air_coil"):
        shot = f"  - {{role: target, condition: {name}}}\n"
        assert shot in text
        text = text.replace(shot, "")
    return parse_recipe(text[: text.index("limits:")], "one_candidate.yaml")


def bench_at(resources, dialect, profiles=None):
    """The shipped bench profile at these addresses, wired as that oscilloscope can be.

    A folder of ``profiles`` is asked for the profile ``one_by_one``.
    """
    text = simulated_profile.text(resources)
    changes = {"settling_time: 50 ms": "settling_time: 1 ms"}
    if 50.0 not in MODELS[dialect].impedances:
        changes[FIFTY_OHM] = ""
    if profiles is not None:
        changes["scope:\n"] = "scope:\n  profile: one_by_one\n"
    for old, new in changes.items():
        assert old in text, old
        text = text.replace(old, new)
    return parse_bench(text, "bench.yaml", folder=profiles)


def measured(recipe, dialect, transport, folder, profiles=None):
    """Carry the recipe out; return outcome, truth by condition [dB], and the most segments."""
    with SimulatedBench(SEED, dialect, STEADY, transport=transport) as simulated:
        bench = bench_at(simulated.resources, dialect, profiles)
        acquisition, segments = simulated.scope.acquisition, []
        arm = acquisition.arm
        acquisition.arm = lambda wanted=1, **more: (segments.append(wanted), arm(wanted, **more))
        outcome = run(recipe, bench, folder)
        assert outcome.state == "complete", outcome.reason
        truth = {
            found.condition: 20
            * math.log10(
                simulated.circuit.truth_attenuation(
                    found.condition, "lead_current", "rms", START, 1 / RATE, round(DURATION * RATE)
                )
            )
            for found in outcome.result.results
        }
    assert verify(outcome.path) == []
    return outcome, truth, max(segments)


@pytest.fixture(scope="module")
def on_sockets(recipe, tmp_path_factory):
    """A function that returns the run on one dialect over raw sockets, carried out once."""
    return functools.cache(
        lambda dialect: measured(recipe, dialect, "socket", tmp_path_factory.mktemp(dialect))
    )


@pytest.mark.parametrize("dialect", DIALECTS)
def test_the_recipe_runs_unchanged_and_holds_the_truth(recipe, dialect, on_sockets):
    outcome, truth, _ = on_sockets(dialect)

    found = {result.condition: result.attenuation for result in outcome.result.results}
    assert set(found) == {"damped_choke", "triple_core", "air_coil"}
    for condition, attenuation in found.items():
        assert attenuation.state != "invalid", attenuation.reason
        low, high = attenuation.interval_db
        assert low <= truth[condition], condition
        assert high is None or truth[condition] <= high, condition
    assert found["damped_choke"].state == found["air_coil"].state == "resolved"
    with RunFile.open(outcome.path, trusted=True) as file:
        assert file.header.recipe_sha256 == recipe.sha256
        assert MODELS[dialect].model in next(i.idn for i in file.instruments if i.role == "scope")


@pytest.mark.parametrize(
    ("dialect", "transport"),
    list(zip(OTHERS, itertools.cycle(OTHER_TRANSPORTS), strict=False)),
)
def test_another_transport_brings_the_very_same_samples(
    recipe, dialect, transport, on_sockets, tmp_path
):
    outcome, _, _ = measured(recipe, dialect, transport, tmp_path)

    assert traces(outcome.path) == traces(on_sockets(dialect)[0].path)


def traces(path):
    """Return the digest of every trace of a run file: {(shot, quantity): SHA-256}."""
    with RunFile.open(path, trusted=True) as file:
        return {
            (shot.name, channel.quantity): hashlib.sha256(
                np.ascontiguousarray(file.trace_block(shot.name, channel.quantity))
            ).hexdigest()
            for shot in file.shots()
            for channel in shot.header.channels
        }


SEGMENTED = [name for name in DIALECTS if MODELS[name].maximum_segments > 1]


@pytest.mark.parametrize("dialect", SEGMENTED)
def test_segments_and_one_by_one_give_the_same_run_file(one_candidate, dialect, tmp_path):
    """Same shots, datasets, kinds and shapes; only when each record triggered is told finer."""
    name = MODELS[dialect].model.lower().replace("-", "_")
    text = (RECIPE.parents[1] / "scopes" / f"quillmoor_{name}.yaml").read_text()
    assert "maximum_segments: 1000" in text
    scopes = tmp_path / "scopes"
    scopes.mkdir()
    (scopes / "one_by_one.yaml").write_text(text.replace("maximum_segments: 1000", ""))

    whole, _, segments = measured(one_candidate, dialect, "socket", tmp_path / "segments")
    single, _, one = measured(one_candidate, dialect, "socket", tmp_path / "single", tmp_path)

    assert (segments, one) == (5, 1)
    assert structure(whole.path) == structure(single.path)
    for shot, times in trigger_times(whole.path).items():
        assert (times[1:] > times[:-1]).all(), shot
    for one, other in zip(whole.result.results, single.result.results, strict=True):
        assert one.condition == other.condition
        assert overlap(one.attenuation.interval_db, other.attenuation.interval_db)


def structure(path):
    """Return everything of a run file's shots that a reader can rely on, but the numbers."""
    with RunFile.open(path, trusted=True) as file:
        return [
            (
                shot.name,
                shot.role,
                shot.condition,
                shot.header.repeats,
                shot.header.record_length,
                [(c.quantity, c.channel, c.vertical_range) for c in shot.header.channels],
                {
                    c.quantity: (block.shape, block.dtype)
                    for c in shot.header.channels
                    for block in [file.trace_block(shot.name, c.quantity)]
                },
                file.numbers(shot.name).gain.shape,
                file.numbers(shot.name).trigger_time.shape,
            )
            for shot in file.shots()
        ]


def trigger_times(path):
    with RunFile.open(path, trusted=True) as file:
        return {shot.name: file.numbers(shot.name).trigger_time for shot in file.shots()}


def overlap(one, other):
    infinite = (math.inf if end is None else end for end in (one[1], other[1]))
    return max(one[0], other[0]) <= min(infinite)
