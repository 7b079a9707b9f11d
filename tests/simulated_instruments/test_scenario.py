"""Impedances against the textbook's formulas for resistance, inductance and capacitance."""

import dataclasses
import math

import numpy as np
import pytest

from simulated_instruments.scenario import AROUND_PROBE, Element, Scenario, Section


def test_parallel_resonance_leaves_the_resistance():
    # textbook: at w = 1/sqrt(LC) a parallel RLC circuit shows R
    section = Section(100e-6, 600.0, 4e-12)
    omega = np.array([1 / math.sqrt(100e-6 * 4e-12)])
    assert section.impedance(omega)[0] == pytest.approx(600.0, rel=1e-9)


def test_section_is_inductive_below_resistive_at_and_capacitive_above():
    section = Section(100e-6, 600.0, 4e-12)
    low, high = section.impedance(2 * np.pi * np.array([1e3, 1e9]))
    assert low == pytest.approx(1j * 2 * np.pi * 1e3 * 100e-6, rel=2e-3)
    assert high == pytest.approx(1 / (1j * 2 * np.pi * 1e9 * 4e-12), rel=0.1)


def test_element_adds_its_parts_in_series():
    element = Element("two", 0.5, 1e-6, (Section(2e-6), Section(3e-6)))
    omega = np.array([1e6])
    assert element.impedance(omega)[0] == pytest.approx(0.5 + 1j * 1e6 * 6e-6)


def test_names_of_conditions():
    scenario = Scenario()
    assert scenario.closed_in("bare") == {101}
    assert scenario.closed_in("probe_off") == {101, AROUND_PROBE}
    assert scenario.closed_in("open_lead") == frozenset()
    with pytest.raises(KeyError):
        scenario.closed_in("nothing_of_the_kind")


def test_every_candidate_meets_the_continuity_limit_unless_it_is_changed():
    scenario = Scenario()
    assert all(e.dc_resistance < 0.1 for e in scenario.paths.values())
    bad = dataclasses.replace(scenario.paths[102], dc_resistance=0.35)
    worse = dataclasses.replace(scenario, paths=dict(scenario.paths) | {102: bad})
    assert worse.paths[102].dc_resistance == 0.35
