"""What stands above a table of numbers in a text file: entries of the header, and the line that names the columns."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache

from sts.loaders.block import Entry
from sts.loaders.column_names import count_known
from sts.loaders.dialect import cells_of, uncomment
from sts.loaders.recipe import Recipe
from sts.loaders.words import UNITLESS, is_unit, key_of

_RULE = re.compile(r"[\s\-=_*#~+|:;,.%/]*")
_MOST_HEADER = 10_000  # lines, at its top and at its end
_UNIT_WORDS = {*UNITLESS, "-"}


def entries_of(lines: Sequence[tuple[int, str]], delimiter: str, marks: Sequence[str] = ()) -> list[Entry]:
    """The ``key: value``, ``key = value`` and ``key<delimiter>value`` of header lines, and tables of keys over values.

    Parameters
    ----------
    lines : sequence of (int, str)
        Numbered lines of the header.
    delimiter : str
    marks : sequence of str
        Of comments, from a recipe.
    """
    found: list[Entry] = []
    heads: list[str] = []  # of a table: keys whose values stand in the next line
    if len(lines) > 2 * _MOST_HEADER:
        lines = [*lines[:_MOST_HEADER], *lines[-_MOST_HEADER:]]
    for number, line in lines:
        text = uncomment(line, marks).strip().strip('"').rstrip(";,\t ")
        match = re.match(r"([^:=]{1,80}?)\s*[:=]\s*(\S.*)$", text)
        if "\t" in text or delimiter == " ":
            cells = re.split(r"\s*\t\s*" if "\t" in text else r"\s{2,}", text)
        else:
            cells = cells_of(text, delimiter)
        place = f"line {number}"
        if heads and len(cells) == len(heads):
            found += [Entry(k, v, place) for k, v in zip(heads, cells, strict=True)]
            heads = []
        elif len(cells) > 1 and all(key_of(cell)[0] for cell in cells):
            heads = cells
        elif match and not (len(cells) > 1 and key_of(cells[0])[0] and not re.search(r"[:=]", cells[0])):
            found += [Entry(k.strip(), v.strip().strip('"'), place) for k, v in _several(match[1], match[2])]
        elif len(cells) % 2 == 0 and all(re.search(r"[^\W\d_]", key) for key in cells[::2]):
            found += [Entry(k, v, place) for k, v in zip(cells[::2], cells[1::2], strict=True)]
        elif len(cells) > 2 and re.search(r"[^\W\d_]", cells[0]):
            found.append(Entry(cells[0], _with_unit(cells[1:]), place))
    return found


@lru_cache(4096)  # the headers of a bench are alike
def _several(key: str, value: str) -> tuple[tuple[str, str], ...]:
    """One entry, or those of a line such as ``tip: B, site: 3``, where every part has a known key of its own."""
    first, *others = re.split(r"[,;]\s+(?=[^:=,;]{1,40}[:=])", value)
    parts = [re.split(r"\s*[:=]\s*", piece, maxsplit=1) for piece in others]
    if key_of(key)[0] == "set point" or not all(key_of(k)[0] and v for k, v in parts):
        return ((key, value),)
    return ((key, first), *((k, v) for k, v in parts))


def _with_unit(cells: Sequence[str]) -> str:
    """A value with the unit in the cell behind it, or with the remark there in brackets."""
    value, *rest = cells
    if len(rest) == 1 and (is_unit(rest[0]) or rest[0].strip() in ("x", "×")):
        return f"{value} {rest[0]}"
    remark = "; ".join(cell.strip("()[] ") for cell in rest if cell.strip("()[] "))
    return f"{value} ({remark})" if remark else value


@lru_cache(1024)
def _name_cells(line: str, delimiter: str, width: int) -> tuple[str, ...] | None:
    """A line of names as so many cells, whatever stands between them; None if it does not fit."""
    tries = [cells_of(line, delimiter), *(cells_of(line, d) for d in "\t;," if d != delimiter)]
    tries.append(re.split(r"\s{2,}|\t", line.strip()))
    if line.rstrip().endswith((")", "]")):  # Sample bias (mV) Tunnel current (nA)
        tries.append(re.findall(r"[^()\[\]]+[(\[][^()\[\]]*[)\]]", line))
    tries.append(re.findall(r"[^\s()\[\]{}]+(?:\s*/\s*[^\s()\[\]{}]+)?(?:\s*[(\[{][^()\[\]{}]*[)\]}])*", line))
    for cells in tries:
        if len(cells) == width + 1 and cells[-1] == "":
            cells = cells[:-1]
        if len(cells) == width - 1 and line.rstrip()[-1:] != delimiter and delimiter != " ":
            cells = [*cells, ""]  # rows end with a delimiter, the names do not
        if len(cells) == width and any(re.search(r"[^\W\d]", cell) for cell in cells):
            return tuple(cell.strip() for cell in cells)
    return None


def _is_unit_row(cells: Sequence[str]) -> bool:
    bare = [c.strip("()[]{} ") for c in cells]
    return any(bare) and all(b.lower() in _UNIT_WORDS or is_unit(b) for b in bare)


def column_line(
    lines: Sequence[tuple[int, str]], delimiter: str, width: int, recipe: Recipe, marks: Sequence[str]
) -> tuple[list[str], list[str], set[int]] | None:
    """Names and units of the columns, and the numbers of the lines that gave them; None if no line fits.

    Parameters
    ----------
    lines : sequence of (int, str)
        Numbered lines above a table.
    delimiter : str
    width : int
        Columns of the table.
    recipe : Recipe
    marks : sequence of str
        Of comments, from the recipe.
    """
    if recipe.column_names:
        names = [*recipe.column_names, *[""] * width][:width]
        return names, [""] * width, set()
    units, used = [""] * width, set[int]()
    fallback: tuple[list[str], list[str], set[int]] | None = None
    for number, line in list(lines)[::-1][:8] if recipe.column_line is None else list(lines)[::-1]:
        if recipe.column_line is not None and number != recipe.column_line:
            continue
        text = uncomment(line, marks)
        if _RULE.fullmatch(text):
            continue
        cells = _name_cells(text, delimiter, width)
        if cells is None:
            continue
        if (
            not used
            and recipe.column_line is None
            and _is_unit_row(cells)
            and _above_is_names(lines, number, delimiter, width, marks)
        ):
            units, used = [c.strip("()[]{} ") for c in cells], {number}
            continue
        wanted = any(recipe.entry(c, j + 1) for j, c in enumerate(cells) if c) or recipe.column_line is not None
        if count_known(cells) or wanted:
            return list(cells), units, used | {number}
        if fallback is None and not re.match(r"[^:=]{1,80}[:=]\s*\S", text):
            fallback = list(cells), units, used | {number}
    return fallback


def _above_is_names(
    lines: Sequence[tuple[int, str]], number: int, delimiter: str, width: int, marks: Sequence[str]
) -> bool:
    for above, line in list(lines)[::-1]:
        if above < number and not _RULE.fullmatch(uncomment(line, marks)):
            cells = _name_cells(uncomment(line, marks), delimiter, width)
            return cells is not None and (count_known(cells) > 0 or not _is_unit_row(cells))
    return False
