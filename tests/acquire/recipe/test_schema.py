"""The form of a recipe: strict, frozen, and no key without a meaning."""

import pytest
from pydantic import BaseModel, ValidationError

from acquire.bench import schema as bench
from acquire.bench import scope_profile
from acquire.recipe import parse_recipe
from acquire.recipe import schema as recipe

MODELS = {
    model
    for module in (recipe, bench, scope_profile)
    for model in vars(module).values()
    if isinstance(model, type) and issubclass(model, BaseModel) and model.model_fields
}


@pytest.mark.parametrize("model", sorted(MODELS, key=str), ids=lambda model: model.__name__)
def test_every_model_is_strict_and_every_key_says_what_it_means(model):
    assert model.model_config["strict"]
    assert model.model_config["frozen"]
    assert model.model_config["extra"] == "forbid"
    assert [name for name, field in model.model_fields.items() if not field.description] == []


def test_a_recipe_cannot_be_changed(text):
    loaded = parse_recipe(text, "x")
    with pytest.raises(ValidationError, match="frozen"):
        loaded.recipe.title = "another"


@pytest.mark.parametrize("name", ["a", "a1_b", "x" * 40])
def test_names(name):
    assert recipe.Shot(role="floor", condition=name).condition == name


@pytest.mark.parametrize("name", ["", "A", "1a", "_a", "a-b", "a b", "a/b", "ä", "x" * 41, "a\n"])
def test_what_is_no_name(name):
    with pytest.raises(ValidationError):
        recipe.Shot(role="floor", condition=name)
