"""The recipe: what is measured and in which order."""

from acquire.recipe.loading import LoadedRecipe, load_recipe, parse_recipe

__all__ = ["LoadedRecipe", "load_recipe", "parse_recipe"]
