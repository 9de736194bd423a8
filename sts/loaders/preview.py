"""What would be read from a file, and a starting recipe."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from sts.loaders.assemble import assemble
from sts.loaders.bare import propose_array, proposed_columns, range_of, runs_one_way
from sts.loaders.block import Block
from sts.loaders.column_names import understand
from sts.loaders.columns import Role, role_of, roles_of, stated_units
from sts.loaders.dialect import NoTable
from sts.loaders.loaded import Notes, Preview, UnreadableFile
from sts.loaders.metadata import read_metadata
from sts.loaders.reading import bytes_of, format_of, scan
from sts.loaders.recipe import NO_RECIPE, Recipe, recipe_text
from sts.loaders.rows import proposed_names, rows_key
from sts.settings import toml_value
from sts.sweeps import SweepSet

_COLUMNS = ["column", "unit", "read_as", "direction", "repeat", "first"]
_METADATA = ["key", "value", "place", "read_as"]
_SWEEPS = ["sweep", "kind", "points", "axis_from", "axis_to"]


def preview_file(path: str | Path, *, recipe: Recipe | None = None) -> Preview:
    r"""What `read_file` would make of a file; never raises for what is in it.

    Parameters
    ----------
    path : path
    recipe : Recipe, optional

    Returns
    -------
    Preview
        `problem` holds the line that `read_file` would raise, "" if the file reads.

    Raises
    ------
    UnreadableFile
        Only if there is no such file.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import sts
    >>> path = Path(tempfile.mkdtemp()) / "heron.txt"
    >>> _ = path.write_text("tip: heron\nV (mV);I (pA)\n-10;-25\n0;0\n10;25\n")
    >>> seen = sts.preview_file(path)
    >>> seen.problem, seen.columns[["column", "unit", "read_as"]].values.tolist()
    ('', [['V (mV)', 'mV', 'bias'], ['I (pA)', 'pA', 'current']])
    >>> print(seen.recipe.splitlines()[2])
    [[column]]
    """
    path = Path(path)
    return preview_bytes(bytes_of(path), path.name, lambda attempt: attempt(recipe or NO_RECIPE))


def preview_bytes(content: bytes, name: str, settled: Callable[[Callable[[Recipe], None]], None]) -> Preview:
    """As `preview_file`, from bytes that are at hand.

    Parameters
    ----------
    settled : callable
        Calls what it is given with a recipe, and again with a fuller one where that answers what was refused.
    """
    reader, problem, no_table, used = "", "", False, NO_RECIPE
    blocks: list[Block] = []
    sets: tuple[SweepSet, ...] = ()
    notes: tuple[str, ...] = ()

    def attempt(recipe: Recipe) -> None:
        nonlocal reader, blocks, sets, notes, used
        used = recipe
        reader, blocks, first_notes = scan(content, recipe)
        sets, more = assemble(blocks, name, recipe)
        notes = (*first_notes, *more)

    try:
        settled(attempt)
    except UnreadableFile as error:
        problem = str(error if error.place.startswith(name) else error.inside(name))
        no_table = isinstance(error, NoTable)
    columns = pd.DataFrame([_column_row(r) for b in blocks[:20] for r in _roles(b, used)], columns=_COLUMNS)
    arrays = {} if blocks else _arrays_in(content)
    if arrays:
        columns = pd.DataFrame([_array_row(path, *array) for path, array in arrays.items()], columns=_COLUMNS)
    metadata = pd.DataFrame(
        [row for b in blocks[:20] for row in _metadata_rows(b, sets, used)], columns=_METADATA
    ).drop_duplicates(ignore_index=True)
    sweeps = pd.concat([_sweep_rows(s) for s in sets], ignore_index=True) if sets else pd.DataFrame(columns=_SWEEPS)
    draft = _array_recipe(arrays, name) if arrays else _starting_recipe(blocks, used, name, metadata)
    return Preview(name, reader, columns, metadata, sweeps, notes, problem, draft, no_table)


def _roles(block: Block, recipe: Recipe) -> list[Role]:
    """The roles, column by column where they cannot be told together."""
    try:
        return roles_of(block, recipe, Notes())
    except UnreadableFile:
        stated = stated_units(block)
    roles: list[Role] = []
    for number, column in enumerate(block.columns, 1):
        try:
            roles.append(role_of(column, number, recipe, stated))
        except UnreadableFile:
            roles.append(Role(column, number, ""))
    return roles


def _arrays_in(content: bytes) -> dict[str, tuple[np.ndarray, str]]:
    """The arrays of a file of which none was understood."""
    reader = format_of(content)
    if reader.arrays is None:
        return {}
    try:
        folders, _ = reader.arrays(content)
    except Exception:  # damaged, as `problem` says
        return {}
    return {path: array for arrays in folders.values() for path, array in arrays.items()}


def _array_row(path: str, array: np.ndarray, unit: str) -> tuple[str, ...]:
    numeric = array.dtype.kind in "fiu"
    said = range_of(array.astype(float).reshape(-1)) if numeric else "texts"
    return f"{path} {array.shape}", unit, "", "", "", said


def _array_recipe(arrays: dict[str, tuple[np.ndarray, str]], name: str) -> str:
    """A recipe with a proposal for an axis and a signal over it, by size and course; the other arrays behind a #."""
    numeric = {path: (a.astype(float), unit) for path, (a, unit) in arrays.items() if a.dtype.kind in "fiu"}
    axis = next((p for p, (a, _) in numeric.items() if a.ndim == 1 and runs_one_way(a)), "")
    size = numeric[axis][0].size if axis else 0
    signal = next((p for p, (a, _) in numeric.items() if p != axis and size in a.shape), "")
    lines = [
        f"# A recipe for files like {name}: proposed by size, so check it. Lines behind # are to be filled in or left out."
    ]
    for path, (array, unit) in arrays.items():
        reach = range_of(numeric[path][0].reshape(-1)) if path in numeric else "texts"
        lines += ["", f"# {array.shape}, unit {unit or 'not said'}, {reach}"]
        chosen = path in (axis, signal) and bool(signal)
        word, guess = "...", ""
        if chosen:
            over = numeric[signal][0]
            over = np.moveaxis(over, over.shape.index(size), -1).reshape(-1, size)[0]
            word, guess = propose_array(numeric[path][0].reshape(-1), over if path == axis else None)
        entry = [f"name = {toml_value(path)}", f'read_as = "{word}"', f"unit = {toml_value(unit or guess)}"]
        lines += _recipe_entry(entry, known=chosen)
    return "\n".join(lines) + "\n"


def _recipe_entry(lines: list[str], *, known: bool) -> list[str]:
    """An entry about a column, behind a # where it is to be filled in."""
    return [line if known else f"# {line}" for line in ("[[column]]", *lines)]


def _column_row(role: Role) -> tuple[str, ...]:
    values = role.column.values.reshape(-1)[:3]
    first = ", ".join(f"{v:.6g}" if isinstance(v, (float, np.floating)) else str(v) for v in values)
    repeat = "" if role.said.repeat is None else str(role.said.repeat)
    return role.label, _unit_of(role), role.read_as, role.said.direction, repeat, first


def _unit_of(role: Role) -> str:
    """The unit as written, wherever it stands."""
    return role.said.unit or understand(role.column.name, role.column.unit).unit


def _metadata_rows(block: Block, sets: tuple[SweepSet, ...], recipe: Recipe) -> list[tuple[str, ...]]:
    kind = sets[0].kind if sets else "iv"
    taken = read_metadata(block.header, kind, block.decimal, recipe).taken
    return [(entry.key, entry.value, entry.place, what) for entry, what in taken]


def _sweep_rows(sweeps: SweepSet) -> pd.DataFrame:
    table, axis = sweeps.table, sweeps.axis
    said = [c for c in table.columns if c not in ("sweep", "source") and not ((table[c] == "") | table[c].isna()).all()]
    front = table[["sweep"]].assign(kind=sweeps.kind, points=axis.size, axis_from=axis[0], axis_to=axis[-1])
    return pd.concat([front, table[said]], axis=1)


def _starting_recipe(blocks: list[Block], recipe: Recipe, name: str, metadata: pd.DataFrame) -> str:
    """A recipe with every column of the first block: as understood, or left to fill in behind a #."""
    lines = [f"# A recipe for files like {name}. Lines behind # are to be filled in or left out."]
    kept = recipe_text(recipe.model_copy(update={"column": []}))
    lines += [kept.rstrip()] if kept else []
    unused = metadata[metadata["read_as"] == ""] if len(metadata) else metadata
    if len(unused):
        lines += ["", "# [header]  # key as the file writes it = column of the table"]
        lines += [f'# {toml_value(str(key))} = ""' for key in dict.fromkeys(unused["key"])][:20]
    if blocks and blocks[0].in_rows and not any(column.name for column in blocks[0].columns):
        names = proposed_names([column.values for column in blocks[0].columns])
        return "\n".join([*lines, "", "# proposed by size, so check it", rows_key(names)]) + "\n"
    if (
        blocks
        and len(blocks[0].columns) > 1
        and not any(column.name for column in blocks[0].columns)
        and not recipe.column
    ):
        names = proposed_columns([column.values for column in blocks[0].columns])
        proposal = f"column_names = {toml_value(names)}"
        return "\n".join([*lines, "", "# proposed by size and course, so check it", proposal]) + "\n"
    for role in _roles(blocks[0], recipe) if blocks else []:
        who, unit, word = role.column.path or role.column.name, _unit_of(role), role.read_as
        entry = [f"name = {toml_value(who)}" if who else f"number = {role.number}"]
        entry.append(f"read_as = {toml_value(word)}" if word else 'read_as = "current"  # bias, height, lockin, ...')
        if word in ("bias", "height", "current", "lockin", ""):
            entry.append(f"unit = {toml_value(unit)}")
        lines += ["", *_recipe_entry(entry, known=bool(word))]
    return "\n".join(lines) + "\n"
