"""Read one file: recognise it, read its blocks, assemble the sweeps."""

from __future__ import annotations

from pathlib import Path

from sts.loaders.arrays import array_reader, read_arrays
from sts.loaders.assemble import assemble
from sts.loaders.block import Block
from sts.loaders.decode import decode
from sts.loaders.loaded import LoadedFile, UnreadableFile
from sts.loaders.recipe import NO_RECIPE, Recipe, recipe_text
from sts.loaders.text import read_text
from sts.loaders.workbook import is_workbook, read_workbook

LARGEST_FILE = 2**31  # bytes


def read_file(path: str | Path, *, recipe: Recipe | None = None) -> LoadedFile:
    """Read the sweeps of one file.

    Parameters
    ----------
    path : path
        Text, ``.npy``, ``.npz``, ``.mat``, ``.xlsx`` or HDF5, recognised by content.
    recipe : Recipe, optional
        For what the file does not say itself.

    Raises
    ------
    UnreadableFile
        With one line: file, place, what was found, what was expected, what to do.
    """
    path = Path(path)
    return read_bytes(bytes_of(path), path.name, recipe=recipe)


def read_bytes(content: bytes, name: str, *, recipe: Recipe | None = None) -> LoadedFile:
    """As `read_file`, from bytes that are at hand."""
    used = recipe or NO_RECIPE
    reader, blocks, notes = scan(content, name, used)
    sets, more = assemble(blocks, name, used)
    return LoadedFile(name, content, reader, recipe_text(used), sets, (*notes, *more))


def scan(content: bytes, name: str, recipe: Recipe) -> tuple[str, list[Block], list[str]]:
    """The name of the reader, the blocks and the notes of a file, before anything is made of them."""
    if is_workbook(content):
        return "workbook", read_workbook(content, name, recipe), []
    reader = array_reader(content)
    if reader:
        return reader, read_arrays(content, name, reader, recipe), []
    text, notes = decode(content, name, encoding=recipe.encoding)
    return "text", read_text(text, name, recipe), notes


def bytes_of(path: Path) -> bytes:
    """The bytes of a file, or `UnreadableFile` with the reason."""
    try:
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise UnreadableFile(f"{path.name}: has {size / 2**30:.1f} GB; files up to 2 GB are read. Split it.")
        return path.read_bytes()
    except IsADirectoryError:
        raise UnreadableFile(f"{path.name}: is a folder; give its files.") from None
    except OSError as error:
        raise UnreadableFile(f"{path.name}: cannot be read ({error.strerror}). Check path and permissions.") from None
    except ValueError as error:
        if isinstance(error, UnreadableFile):
            raise
        raise UnreadableFile(f"{path.name}: is not a usable path ({error}).") from None
