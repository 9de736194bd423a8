"""How the files of a call are read: recipes by file, names for columns that have none, the decimal mark where in doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from sts.loaders.bare import AmbiguousComma, BareColumns, NamedColumns
from sts.loaders.folders import FoundFile
from sts.loaders.loaded import LoadedFile, UnreadableFile
from sts.loaders.logbook_patterns import fits
from sts.loaders.reading import bytes_of, read_bytes
from sts.loaders.recipe import NO_RECIPE, Recipe


@dataclass(frozen=True)
class HowToRead:
    """What a user says of the files of one call; each file takes from it what it needs.

    Parameters
    ----------
    recipes : sequence of Recipe
        The first whose `files` fits a file is used for it.
    columns : sequence of NamedColumns
        For files without names above their columns only.
    decimal : str
        ``"."`` or ``","``, for files in which a comma may be either only.
    """

    recipes: Sequence[Recipe] = ()
    columns: Sequence[NamedColumns] = ()
    decimal: str = ""

    def recipe_for(self, path: str) -> Recipe:
        """The recipe for a file, by folder and name."""
        return next((r for r in self.recipes if not r.files or fits(path, r.files)), NO_RECIPE)

    def read(self, file: FoundFile) -> LoadedFile:
        """Read a file.

        Raises
        ------
        UnreadableFile
        """
        content, recipe = bytes_of(file.path), self.recipe_for(file.name)
        loaded = self._read(content, file, recipe)
        return replace(loaded, folder=file.folder, above=file.above, modified=file.modified)

    def _read(self, content: bytes, file: FoundFile, recipe: Recipe) -> LoadedFile:
        try:
            return read_bytes(content, file.path.name, recipe=recipe)
        except AmbiguousComma:
            if not self.decimal or recipe.decimal:
                raise
            return self._read(content, file, recipe.model_copy(update={"decimal": self.decimal}))
        except BareColumns as bare:
            named = [c for c in self.columns if c.speaks_of(file.name)]
            if not named or recipe.column_names:
                raise
            fitting = next((c for c in named if len(c.names) == bare.width), None)
            if fitting is None:
                raise UnreadableFile(
                    f"has {bare.width} columns without names; --columns names {len(named[0].names)}. Name each of them, - for "
                    "one that is not used.",
                    place=file.path.name,
                ) from None
            return self._read(content, file, recipe.model_copy(update={"column_names": list(fitting.names)}))
