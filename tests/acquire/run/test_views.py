"""Spectra and pulse facts from a stored run, against the simulated circuit's own truth."""

import numpy as np
import pytest

from acquire.analysis.spectrum_grid import SpectrumSetup
from acquire.cli import simulated_profile
from acquire.errors import BadInputError
from acquire.run import views
from acquire.run.runner import run
from simulated_instruments.bench import SimulatedBench

CONDITIONS = {"bare": {101}, "damped_choke": {102}}


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """A run of the shipped recipe, shortened, and the circuit it was measured on."""
    from acquire.bench import parse_bench
    from acquire.cli import names
    from acquire.recipe import parse_recipe

    text = names.locate("recipe", "bonding_lead").read_text("utf-8")
    recipe = parse_recipe(text.replace("repeats: 32", "repeats: 12"), "bonding_lead.yaml")
    with SimulatedBench(seed=5) as simulated:
        bench = parse_bench(simulated_profile.text(simulated.resources), "bench.yaml")
        outcome = run(recipe, bench, tmp_path_factory.mktemp("views"))
        assert outcome.path is not None, outcome.reason
        yield outcome.path, simulated.circuit


def test_the_spectrum_agrees_with_the_circuit_where_it_is_resolved(measured):
    path, circuit = measured
    (found,) = views.spectra_of(path, SpectrumSetup(bins_per_decade=10), condition="damped_choke")
    spectrum = found.spectrum
    frequency = spectrum.axis.frequency
    source = circuit.source_impedance(frequency)
    through = {
        name: 1.0 / np.abs(source + circuit.path_impedance(closed, frequency))
        for name, closed in CONDITIONS.items()
    }
    truth = 20 * np.log10(through["bare"] / through["damped_choke"])
    band = spectrum.resolved & (frequency > 2e5) & (frequency < 1e6)

    assert band.sum() >= 5
    # a bin joins several frequencies, over which the truth itself moves: 1 dB
    assert np.all(np.abs(spectrum.attenuation_db[band] - truth[band]) < 1.0)


def test_every_target_has_a_spectrum_and_the_trigger_has_none(measured):
    path, _ = measured

    found = views.spectra_of(path, SpectrumSetup())

    assert [one.condition for one in found] == ["damped_choke", "triple_core", "air_coil"]
    assert {one.quantity for one in found} == {"lead_current"}


def test_the_rings_of_the_bare_lead_are_those_of_the_scenario(measured):
    path, circuit = measured
    first = views.facts_of(path, condition="bare")[0].facts
    rings = sorted(ring.frequency for ring in first.rings)
    expected = sorted(ring.frequency for ring in circuit.scenario.source.rings)[: len(rings)]

    assert rings == pytest.approx(expected, rel=0.1)


def test_a_stated_burst_rate_is_used(measured):
    path, _ = measured
    facts = views.facts_of(path, condition="bare", burst_rate=8000.0)[0].facts

    assert (facts.burst_rate, facts.rate_source) == (8000.0, "stated")


def test_a_shot_that_does_not_stand_out_of_its_floor_says_so(measured):
    path, _ = measured
    said = {
        one.condition: any("mostly noise and pickup" in text for text in one.facts.remarks)
        for one in views.facts_of(path)
    }

    assert said == {"bare": False, "damped_choke": False, "triple_core": True, "air_coil": False}


def test_a_name_that_is_not_there_is_told_with_those_that_are(measured):
    path, _ = measured
    with pytest.raises(BadInputError, match="lead_current in damped_choke"):
        views.facts_of(path, condition="damped_chock")
