"""From files to `SweepSet`s: recognise, decode, find the columns, convert to SI."""

from sts.loaders.loaded import LoadedFile, Preview, UnreadableFile
from sts.loaders.logbook import Logbook, apply_logbook, read_logbook
from sts.loaders.preview import preview_file
from sts.loaders.reading import read_file
from sts.loaders.recipe import Recipe, read_recipe, recipe_text

__all__ = [
    "LoadedFile",
    "Logbook",
    "Preview",
    "Recipe",
    "UnreadableFile",
    "apply_logbook",
    "preview_file",
    "read_file",
    "read_logbook",
    "read_recipe",
    "recipe_text",
]
