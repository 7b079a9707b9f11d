"""The table of models: consistent within itself and complete."""

import math

import pytest

from simulated_instruments.dialects import TWINS
from simulated_instruments.models import MAKER, MODELS


def test_maker_is_invented():
    assert MAKER == "QUILLMOOR INSTRUMENTS"


def test_each_twin_has_a_model_and_each_model_a_twin():
    assert set(MODELS) == set(TWINS)


@pytest.mark.parametrize("model", MODELS.values(), ids=MODELS)
def test_model_is_consistent(model):
    assert list(model.ranges) == sorted(model.ranges)
    per_division = [r / model.vertical_divisions for r in model.ranges]
    mantissas = {round(10 ** (math.log10(v) % 1), 3) % 10 for v in per_division}
    assert mantissas <= {1.0, 2.0, 5.0, 0.0}, "a 1-2-5 sequence"
    assert model.code_low < -model.levels // 2 <= 0 <= model.levels // 2 < model.code_high
    assert model.levels <= 2**model.bits
    assert model.code_high - model.code_low < 2**model.bits
    assert all(n <= model.memory for n in model.record_lengths)
