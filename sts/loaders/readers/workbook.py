"""Workbooks (.xlsx): sheets as rows of cells, and as blocks by the same machinery as text."""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from dataclasses import replace
from datetime import date, datetime, time
from typing import Any

from sts.loaders.block import Block, Entry
from sts.loaders.limits import check_zip
from sts.loaders.loaded import UnreadableFile, library_words, shown
from sts.loaders.readers.text import read_text
from sts.loaders.readers.text_header import entries_of
from sts.loaders.recipe import Recipe
from sts.loaders.values import number_text
from sts.loaders.words import key_of

_CELL = re.compile(rb'\br="([A-Z]{1,3})([0-9]{1,7})"')
MOST_EMPTY = 1_000_000  # cells between the first and the last
SPARSEST = 20  # or so many for each that holds something


def is_workbook(content: bytes) -> bool:
    """Whether these are the bytes of an .xlsx workbook.

    Parameters
    ----------
    content : bytes
    """
    if not content.startswith(b"PK\x03\x04"):
        return False
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            return any(item.startswith("xl/") for item in archive.namelist())
    except Exception:  # damaged: `check_zip` says how, for a workbook and for arrays alike
        return b"xl/" in content[:2000]


def sheets_of(content: bytes) -> dict[str, list[list[str]]]:
    """The sheets of a workbook as rows of text cells; numbers are written so that they read back the same.

    Parameters
    ----------
    content : bytes

    Raises
    ------
    UnreadableFile
        If it is damaged, or the optional reader is not installed.
    """
    try:
        from python_calamine import CalamineWorkbook
    except ImportError:
        raise UnreadableFile(
            "workbooks need the package python-calamine (the extra 'excel'). Install it, or save as CSV."
        ) from None
    _check_extent(content)
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(content))
        sheets = {s: book.get_sheet_by_name(s).to_python(skip_empty_area=False) for s in book.sheet_names}
    except (KeyboardInterrupt, SystemExit, MemoryError):
        raise
    except BaseException as error:  # the reader has a class for each fault; its own failures are no `Exception`
        raise UnreadableFile(
            f"is no workbook that can be read ({library_words(error)}). Save it again as .xlsx."
        ) from None
    return {s: [[_cell(c) for c in row] for row in rows] for s, rows in sheets.items()}


def _check_extent(content: bytes) -> None:
    """Refuse a sheet with a cell far from all others: the reader takes memory for all between, and ends the program where there
    is not enough."""
    parts = [name for name in check_zip(content) if name.startswith("xl/worksheets/")]
    if any(name.endswith(".bin") for name in parts):
        raise UnreadableFile("is a workbook in binary form. Save it as .xlsx.")
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        for name in parts:
            if name.endswith(".xml"):
                _check_sheet(archive, name)


def _check_sheet(archive: zipfile.ZipFile, name: str) -> None:
    cells = rows = columns = 0
    rest = b""
    try:
        with archive.open(name) as stream:
            while piece := stream.read(1 << 20):
                text = rest + piece
                found = _CELL.findall(text)
                cells += len(found)
                rows = max(rows, *(int(row) for _, row in found), 0)
                columns = max(columns, *(_column_number(letters) for letters in {letters for letters, _ in found}), 0)
                rest = text[text.rfind(b"<") :][-200:]  # a cell that goes on in the next piece
    except (zipfile.BadZipFile, zlib.error, ValueError, OSError, EOFError, NotImplementedError, RuntimeError) as error:
        raise UnreadableFile(f"is a damaged archive ({library_words(error)}). Export or copy it again.") from None
    if rows * columns > max(MOST_EMPTY, SPARSEST * cells):
        raise UnreadableFile(
            f"{name.removeprefix('xl/worksheets/')} has {cells} cells, one of them in row {rows} or column {columns}; a sheet "
            "with that much empty is not read. Delete what stands far from the table, and save it again."
        )


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = 26 * number + letter - ord("A") + 1
    return number


def _cell(value: Any) -> str:
    if isinstance(value, bool):
        return str(value)
    if isinstance(value, float):
        return number_text(value)
    if isinstance(value, datetime):
        return value.isoformat(" ")
    if isinstance(value, (date, time)):
        return value.isoformat()
    return re.sub(r"\s+", " ", str(value)).strip()


def read_workbook(content: bytes, recipe: Recipe) -> list[Block]:
    """The blocks of all sheets that hold numbers (or of the one that the recipe names).

    Parameters
    ----------
    content : bytes
    recipe : Recipe

    Raises
    ------
    UnreadableFile
        If no sheet holds a table, or a named one is not there.
    """
    sheets = sheets_of(content)
    if recipe.sheet and recipe.sheet not in sheets:
        raise UnreadableFile(f"has no sheet {shown(recipe.sheet)}; it has {', '.join(shown(s) for s in sheets)}.")
    blocks: list[Block] = []
    problems: list[UnreadableFile] = []
    common: list[Entry] = []  # of sheets without a table: they say something about the others
    for sheet, rows in sheets.items():
        if recipe.sheet not in ("", sheet):
            continue
        width = max((len(row) for row in rows), default=0)
        used = [j for j in range(width) if any(j < len(row) and row[j] for row in rows)]
        text = "\n".join("\t".join(row[j] if j < len(row) else "" for j in used) for row in rows) + "\n"
        try:
            found = read_text(text, recipe.model_copy(update={"delimiter": "tab"}))
            blocks += [replace(b, place=f"sheet {shown(sheet)}, {b.place}", title=sheet) for b in found]
        except UnreadableFile as problem:
            where = f"sheet {shown(sheet)}"
            entries = entries_of([i for i in enumerate(text.split("\n"), 1) if i[1].strip()], "\t")
            common += [replace(entry, place=f"{where}, {entry.place}") for entry in entries]
            if text.strip() and not any(key_of(entry.key)[0] for entry in entries):
                problems.append(problem.inside(where))
    if not blocks:
        raise problems[0] if problems else UnreadableFile("holds no sheet with cells. Export it again.")
    for block in blocks:
        own = {key_of(entry.key)[0] for entry in block.header} - {""}
        block.header.extend(entry for entry in common if key_of(entry.key)[0] not in own)
    blocks[0].notes.extend(f"not read: {problem}" for problem in problems)
    return blocks
