"""Which captures of a run become the model of its source; the model itself is tested with it."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from acquire.analysis.inputs import Capture, Transducer
from acquire.cli import names
from acquire.errors import RefusedError
from acquire.run import source

PATH = Path("run.h5")


def capture(role, quantity, unit, order, scale=1.0, full_scale=1.0, repeats=6):
    """A damped ring of 1 MHz, with a little noise from repeat to repeat."""
    time = np.arange(2000) * 10e-9
    ring = np.exp(-time / 3e-6) * np.sin(2 * np.pi * 1e6 * time)
    noise = np.random.default_rng(order).normal(0, 3, (repeats, time.size))
    codes = np.round(100 * 50 * scale * ring + noise).astype(np.int16)
    return Capture(
        shot=f"{order:02d}_{role}",
        order=order,
        role=role,
        condition=role,
        quantity=quantity,
        codes=codes,
        gain=np.full(repeats, 1e-3),
        offset=np.zeros(repeats),
        start=np.zeros(repeats),
        step=10e-9,
        trigger_time=np.arange(repeats, dtype=float),
        bits=12,
        vertical_range=full_scale,
        transducer=Transducer("p", unit, 1.0, (1e3, 40e6), 0.01),
    )


@pytest.fixture
def run_of(monkeypatch):
    """A function that makes the run file hold the given captures."""
    recipe = names.locate("recipe", "bonding_lead").read_text(encoding="utf-8")
    header = SimpleNamespace(recipe_text=recipe, recipe_name="bonding_lead.yaml")

    def hold(*captures):
        class File:
            def __enter__(self):
                return self

            def __exit__(self, *_):
                pass

            def captures(self, _transducers):
                return list(captures)

        File.header = header
        monkeypatch.setattr(source.RunFile, "open", classmethod(lambda _cls, _path: File()))
        monkeypatch.setattr(source, "transducers_in", lambda _file: {})

    return hold


VOLTS = capture("open_circuit", "lead_voltage", "V", 0, scale=1.0)
AMPERES = capture("reference", "lead_current", "A", 1, scale=0.5)


def test_the_ratio_of_the_two_is_the_impedance(run_of):
    run_of(VOLTS, AMPERES)

    model = source.source_of(PATH)

    at = np.argmin(np.abs(model.frequency - 1e6))
    assert abs(model.impedance[at]) == pytest.approx(2.0, rel=0.02)


def test_the_trigger_is_not_taken_for_the_open_circuit_voltage(run_of):
    edge = capture("open_circuit", "inverter_edge", "V", 0, scale=9.0)
    run_of(edge, VOLTS, AMPERES)

    model = source.source_of(PATH)

    at = np.argmin(np.abs(model.frequency - 1e6))
    assert abs(model.impedance[at]) == pytest.approx(2.0, rel=0.02)


def test_a_floor_is_taken_off_only_at_its_own_range(run_of):
    floor = capture("floor", "lead_current", "A", 2, scale=0.1)
    run_of(VOLTS, AMPERES, floor)
    corrected = source.source_of(PATH)
    run_of(VOLTS, AMPERES, replace(floor, vertical_range=2.0))
    other_range = source.source_of(PATH)

    at = np.argmin(np.abs(corrected.frequency - 1e6))
    assert abs(corrected.impedance[at]) == pytest.approx(1.0 / 0.4, rel=0.02)
    assert abs(other_range.impedance[at]) == pytest.approx(1.0 / 0.5, rel=0.02)


@pytest.mark.parametrize(
    ("captures", "said"),
    [
        ((AMPERES,), "holds no open-circuit voltage"),
        ((VOLTS,), "holds no bare current"),
        ((replace(VOLTS, faults=("auto-triggered",)), AMPERES), "holds no open-circuit voltage"),
        ((VOLTS, AMPERES, replace(AMPERES, quantity="other")), "lead_current, other; say which"),
        ((VOLTS, replace(AMPERES, codes=AMPERES.codes[:, :1000])), "record length"),
    ],
    ids=["no voltage", "no current", "faulty", "two currents", "lengths"],
)
def test_what_is_missing_is_said(run_of, captures, said):
    run_of(*captures)

    with pytest.raises(RefusedError, match=said):
        source.source_of(PATH)


def test_the_quantities_can_be_named(run_of):
    run_of(VOLTS, AMPERES, replace(AMPERES, quantity="other"))

    assert source.source_of(PATH, current="other").samples == 2000
    with pytest.raises(RefusedError, match="of 'nothing'"):
        source.source_of(PATH, voltage="nothing")
