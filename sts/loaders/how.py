"""How the files of a call are read: recipes by file, names for columns that have none, the decimal mark where in doubt."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeVar

from sts.loaders.bare import AmbiguousComma, BareColumns, NamedColumns
from sts.loaders.folders import FoundFile
from sts.loaders.loaded import LoadedFile, Preview, UnreadableFile
from sts.loaders.path_names import kind_from_path
from sts.loaders.patterns import fits
from sts.loaders.preview import preview_bytes
from sts.loaders.reading import bytes_and_time, bytes_of, read_bytes
from sts.loaders.recipe import NO_RECIPE, Recipe
from sts.loaders.rows import ValuesInRows, names_that_fit

T = TypeVar("T")


@dataclass(frozen=True)
class HowToRead:
    """What a user says of the files of one call; each file takes from it what it needs.

    Parameters
    ----------
    recipes : sequence of Recipe
        The first whose `files` fits a file is used for it.
    columns : sequence of NamedColumns
        For files without names above their columns only.
    rows : sequence of NamedColumns
        For files that hold their values in rows; of several that speak of a file the one whose quantities fit its numbers.
    decimal : str
        ``"."`` or ``","``, for files in which a comma may be either only.
    """

    recipes: Sequence[Recipe] = ()
    columns: Sequence[NamedColumns] = ()
    rows: Sequence[NamedColumns] = ()
    decimal: str = ""

    def recipe_for(self, path: str) -> Recipe:
        """The recipe for a file, by folder and name.

        Parameters
        ----------
        path : str
            Folder and name.
        """
        return next((r for r in self.recipes if not r.files or fits(path, r.files)), NO_RECIPE)

    def read(self, file: FoundFile, *, height_sign: Literal[-1, 1] | None = None) -> LoadedFile:
        """Read a file.

        Parameters
        ----------
        file : FoundFile
        height_sign : int, optional
            As in a recipe, where that of the file does not say it.

        Raises
        ------
        UnreadableFile
        """
        (content, modified), name = bytes_and_time(file.path), file.path.name
        loaded = self._settled(file, lambda recipe: read_bytes(content, name, recipe=recipe), height_sign)
        return replace(loaded, folder=file.folder, above=file.above, modified=modified)

    def preview(self, file: FoundFile) -> Preview:
        """What `read` would make of a file.

        Parameters
        ----------
        file : FoundFile

        Raises
        ------
        UnreadableFile
            Only if the file cannot be opened.
        """
        return preview_bytes(bytes_of(file.path), file.path.name, lambda attempt: self._settled(file, attempt))

    def _settled(self, file: FoundFile, attempt: Callable[[Recipe], T], height_sign: Literal[-1, 1] | None = None) -> T:
        """What an attempt to read makes of a file, its recipe filled up with what the user says of such files."""
        recipe = self.recipe_for(file.name)
        if height_sign is not None and recipe.height_sign is None:
            recipe = recipe.model_copy(update={"height_sign": height_sign})
        while True:
            try:
                return attempt(recipe)
            except AmbiguousComma:
                if not self.decimal or recipe.decimal:
                    raise
                recipe = recipe.model_copy(update={"decimal": self.decimal})
            except ValuesInRows as in_rows:
                said = [rows for rows in self.rows if rows.speaks_of(file.name)]
                try:
                    names = names_that_fit(said, in_rows, kind_from_path(file.name))
                except UnreadableFile as error:
                    raise error.inside(file.path.name) from None
                if not names:
                    raise
                recipe = recipe.model_copy(update={"rows": [name or "-" for name in names]})
            except BareColumns as bare:
                if recipe.column_names or not (names := self._names_for(file, bare.width)):
                    raise
                recipe = recipe.model_copy(update={"column_names": names})

    def _names_for(self, file: FoundFile, width: int) -> list[str]:
        """Names for the columns of a file; none if nobody speaks of it."""
        named = [c for c in self.columns if c.speaks_of(file.name)]
        fitting = next((c for c in named if len(c.names) == width), None)
        if named and fitting is None:
            raise UnreadableFile(
                f"has {width} columns without names; --columns names {len(named[0].names)}. Name each of them, - for one "
                "that is not used.",
                place=file.path.name,
            )
        return list(fitting.names) if fitting else []
