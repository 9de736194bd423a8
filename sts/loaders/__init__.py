"""From files to `SweepSet`s: recognise, decode, find the columns, convert to SI."""

from sts.loaders.loaded import LoadedFile, Preview, UnreadableFile
from sts.loaders.reading import read_file
from sts.loaders.recipe import Recipe, read_recipe, recipe_text

__all__ = ["LoadedFile", "Preview", "Recipe", "UnreadableFile", "read_file", "read_recipe", "recipe_text"]
