"""Which settings may stand in a block, by the schemas that people meet."""

import pytest

from acquire.bench.schema import Bench
from acquire.recipe.schema import Recipe
from acquire.textfile.schema_walk import settings_at


@pytest.mark.parametrize(
    ("model", "path", "some"),
    [
        (Recipe, (), {"title", "shots"}),
        (Recipe, ("acquisition", "trigger"), {"source", "level", "slope", "timeout"}),
        (Recipe, ("shots", 3), {"role", "condition", "repeats"}),
        (Recipe, ("quantities", "lead_current"), {"kind", "expected_peak"}),
        (Recipe, ("analysis",), {"measures"}),
        (Bench, ("fixture",), {"kind", "conditions", "resource"}),  # every branch of a union
        (Bench, ("ohmmeter",), {"resource"}),
    ],
)
def test_settings_of_a_block(model, path, some):
    assert some <= set(settings_at(model.model_json_schema(), path))


@pytest.mark.parametrize("path", [("nowhere",), ("title", "x"), ("shots", "x"), ("title",)])
def test_no_settings_where_there_is_no_block(path):
    assert settings_at(Recipe.model_json_schema(), path) == {}
