"""The recipe: how to read a file that does not say it all itself, as TOML."""

from __future__ import annotations

import fnmatch
import re
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, field_validator

from sts.loaders.patterns import check_pattern
from sts.settings import Section, read_toml, toml_value
from sts.sweeps import COLUMNS

READ_AS = ("bias", "tip bias", "height", "current", "lockin", "time", "unused", *COLUMNS[:-1])
DIRECTIONS = ("forward", "backward", "up", "down", "retract", "approach")


class ColumnRecipe(Section):
    """One column, or several with like names."""

    name: str = Field("", description="the column's name as the file writes it, or a pattern with * and ?")
    number: int | None = Field(None, ge=1, description="or its number, counted from 1")
    read_as: str = Field(description="what it holds: bias, height, current, lockin, a column of the table, unused, ...")
    unit: str = Field("", description="unit of the numbers (after scale)")
    scale: float = Field(1.0, description="multiply the numbers as written with this first")
    direction: str = Field("", description="forward, backward, up, down, retract or approach")
    repeat: int | None = Field(None, description="number of the repeat")

    @field_validator("direction")
    @classmethod
    def _known_direction(cls, value: str) -> str:
        if value and value not in DIRECTIONS:
            raise ValueError(f"must be one of {', '.join(DIRECTIONS)}")
        return value

    @field_validator("read_as")
    @classmethod
    def _known_role(cls, value: str) -> str:
        if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_ ]*", value):
            raise ValueError(f"must be one of {', '.join(READ_AS)}, or a name of your own for a column of the table")
        return value

    def fits(self, name: str, number: int) -> bool:
        """Whether this entry speaks of the column called `name`, the `number`-th of the file.

        Parameters
        ----------
        name : str
            As the file writes it.
        number : int
            From 1.
        """
        if self.number is not None:
            return self.number == number
        return bool(self.name) and (self.name.strip() == name.strip() or _matches(name.strip(), self.name.strip()))


def _matches(name: str, pattern: str) -> bool:
    return any(c in pattern for c in "*?") and fnmatch.fnmatchcase(name, pattern.replace("[", "[[]"))


class Recipe(Section):
    """How to read a file: every key is optional, and says what the file itself does not."""

    encoding: str = Field("", description="encoding of the text; empty: found out")
    delimiter: str = Field("", description="between cells: a character, 'tab' or 'spaces'; empty: found out")
    decimal: Literal["", ".", ","] = Field("", description="decimal mark; empty: found out")
    comment: list[str] = Field(default=[], description="marks that start a comment, beside # % ; //")
    skip_lines: int = Field(0, ge=0, description="lines to leave out at the top")
    skip_last_lines: int = Field(0, ge=0, description="lines to leave out at the end")
    column_line: int | None = Field(None, ge=1, description="the line that names the columns, counted from 1")
    column_names: list[str] = Field(default=[], description="names of the columns, where the file has none")
    rows: list[str] = Field(
        default=[], description="names of the rows, where a line of many numbers holds all values of a quantity"
    )
    missing: list[str] = Field(default=[], description="marks of a missing number, beside the usual ones")
    blocks: list[int] = Field(default=[], description="which tables of the file to read, from 1; empty: all")
    sheet: str = Field("", description="sheet of a workbook to read; empty: all with sweeps")
    kind: Literal["", "iv", "iz"] = Field("", description="iv or iz, where both bias and height are in the file")
    bias_sign: Literal[-1, 1] | None = Field(None, description="-1: the file's bias is of the tip against the sample")
    current_sign: Literal[-1, 1] | None = Field(None, description="-1: the file's current is inverted")
    height_sign: Literal[-1, 1] | None = Field(None, description="-1: the file's height grows towards the surface")
    height_scale_m_per_V: float | None = Field(None, description="metres a volt, for a height written in volts")
    forward: Literal["", "up", "down", "retract", "approach"] = Field(
        "", description="what forward (or trace) means; empty: the way the axis runs in the file"
    )
    any_size: bool = Field(
        False, description="true: believe numbers larger or smaller than a tunnelling junction gives"
    )
    modulation: Literal["", "rms", "peak", "peak-to-peak"] = Field(
        "", description="what a modulation amplitude in the header means, if it does not say"
    )
    files: str = Field("", description="which files it is for, e.g. 'c_z*' or 'tipB/*'; empty: all of the call")
    file_name: str = Field(
        "", description="pattern of folder and file names, e.g. '{tip}/{site}_{repeat}.txt'; * is anything"
    )
    column: list[ColumnRecipe] = Field(default=[], description="columns")
    header: dict[str, str] = Field(default={}, description="key as the file writes it = column of the table")
    values: dict[str, str | int | float] = Field(default={}, description="column of the table = value for all sweeps")

    @field_validator("delimiter")
    @classmethod
    def _one_character(cls, value: str) -> str:
        if value and value not in ("tab", "spaces") and len(value) != 1:
            raise ValueError("must be one character, 'tab' or 'spaces'")
        return {"\t": "tab", " ": "spaces"}.get(value, value)

    @field_validator("file_name")
    @classmethod
    def _known_fields(cls, value: str) -> str:
        if value:
            check_pattern(value)
        return value

    def entry(self, name: str, number: int) -> ColumnRecipe | None:
        """The first entry that speaks of a column.

        Parameters
        ----------
        name : str
            As the file writes it.
        number : int
            From 1.
        """
        return next((c for c in self.column if c.fits(name, number)), None)


NO_RECIPE = Recipe()


def read_recipe(path: str | Path) -> Recipe:
    r"""Read a recipe from a TOML file.

    Parameters
    ----------
    path : path

    Raises
    ------
    PlanError
        With one line for each mistake: file, line, key, what came, what is allowed.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import sts
    >>> path = Path(tempfile.mkdtemp()) / "bench.toml"
    >>> _ = path.write_text('current_sign = -1\nfiles = "c_z*"\n')
    >>> recipe = sts.read_recipe(path)
    >>> recipe.current_sign, recipe.files, recipe.bias_sign
    (-1, 'c_z*', None)
    """
    recipe: Recipe = read_toml(Recipe, path, "recipe")
    return recipe


def recipe_text(recipe: Recipe) -> str:
    """The TOML text of a recipe: the keys that say something, in a fixed order; "" for an empty recipe.

    Parameters
    ----------
    recipe : Recipe
    """
    if recipe is NO_RECIPE:
        return ""
    data = recipe.model_dump(exclude_defaults=True, exclude_none=True)
    columns, tables = data.pop("column", []), {k: data.pop(k) for k in ("header", "values") if k in data}
    lines = [f"{key} = {toml_value(value)}" for key, value in data.items()]
    for name, table in tables.items():
        lines += ["", f"[{name}]", *(f"{toml_value(k)} = {toml_value(v)}" for k, v in table.items())]
    for column in columns:
        lines += ["", "[[column]]", *_key_lines(column)]
    return "\n".join(lines).lstrip("\n") + "\n" if lines else ""


def _key_lines(table: dict[str, Any]) -> list[str]:
    return [f"{key} = {toml_value(value)}" for key, value in table.items()]
