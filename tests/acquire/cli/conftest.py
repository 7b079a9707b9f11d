"""A result document with one row of every state, as the tables and commands get it."""

import pytest


def level(value, uncertainty=None, unit="A"):
    return {"value": value, "unit": unit, "standard_uncertainty": uncertainty}


def row(condition, measure, corrected, attenuation, budget=(), **more):
    base = {
        "condition": condition,
        "quantity": "lead_current",
        "measure": measure,
        "reference": level(2.3456, 0.012),
        "observed": level(0.0312, 0.0004),
        "floor": level(0.0123, 0.0003),
        "corrected": corrected,
        "attenuation": {"coverage": 0.95, "method": "coherent", "reason": "", **attenuation},
        "by_method": {},
        "budget": list(budget),
        "why_method": "coherent: the floor is coherent with the trigger",
        "remarks": [],
    }
    return {**base, **more}


@pytest.fixture
def document():
    budget = [
        {
            "source": "source drift",
            "kind": "B",
            "standard_uncertainty_db": 0.031,
            "degrees_of_freedom": None,
        },
        {
            "source": "repeatability",
            "kind": "A",
            "standard_uncertainty_db": 0.214,
            "degrees_of_freedom": 15.0,
        },
        {
            "source": "pickup repeatability",
            "kind": "B",
            "standard_uncertainty_db": 0.12,
            "degrees_of_freedom": None,
        },
    ]
    resolved = {"ratio": 75.3, "db": 37.54, "interval_db": [36.9, 38.2], "state": "resolved"}
    bound = {
        "ratio": None,
        "db": None,
        "interval_db": [52.37, None],
        "state": "floor-limited",
        "reason": "the target is not distinguishable from the floor",
    }
    invalid = {
        "ratio": None,
        "db": None,
        "interval_db": [None, None],
        "state": "invalid",
        "reason": "3 samples of 04_target_air_coil are clipped",
    }
    return {
        "format": "floorshot-result",
        "version": 1,
        "run": {"run_id": "20261125T120000Z-abcd", "title": "A lead", "site": "A tunnel"},
        "results": [
            row("damped_choke", "peak_to_peak", level(0.03115, 0.0009), resolved, budget),
            row("triple_core", "peak_to_peak", level(0.0, 0.0011), bound),
            row("air_coil", "peak_to_peak", level(None), invalid),
            row("damped_choke", "rms", level(0.004, 0.0001), resolved, budget),
        ],
        "limits": [
            {
                "condition": "damped_choke",
                "quantity": "lead_current",
                "measure": "peak_to_peak",
                "attenuation_at_least": 30.0,
                "residual_at_most": None,
                "verdict": "pass",
                "reason": "the whole interval lies above the limit",
            },
            {
                "condition": "triple_core",
                "quantity": "lead_current",
                "measure": "peak_to_peak",
                "attenuation_at_least": 60.0,
                "residual_at_most": None,
                "verdict": "undecided",
                "reason": "only a bound is known",
            },
        ],
        "drift": [
            {
                "quantity": "lead_current",
                "measure": "peak_to_peak",
                "db": -0.123,
                "within_allowance": True,
                "remark": "",
            }
        ],
        "remarks": ["one remark"],
        "verdict": "undecided",
    }
