"""The recipe: what is measured and in which order."""

from acquire.recipe.loading import LoadedRecipe, json_schema, load_recipe, parse_recipe

__all__ = ["LoadedRecipe", "json_schema", "load_recipe", "parse_recipe"]
