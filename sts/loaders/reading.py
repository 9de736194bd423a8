"""Read one file: recognise it, read its blocks, assemble the sweeps."""

from __future__ import annotations

import os
import stat
from datetime import UTC, datetime
from pathlib import Path

from sts.loaders import limits
from sts.loaders.assemble import assemble
from sts.loaders.block import Block
from sts.loaders.conventions import says_height
from sts.loaders.formats import FORMATS, Format
from sts.loaders.labels import PathLabels, filled
from sts.loaders.loaded import LoadedFile, UnreadableFile
from sts.loaders.recipe import NO_RECIPE, Recipe, recipe_text


def read_file(path: str | Path, *, recipe: Recipe | None = None) -> LoadedFile:
    r"""Read the sweeps of one file.

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

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import sts
    >>> path = Path(tempfile.mkdtemp()) / "heron.txt"
    >>> _ = path.write_text("tip: heron\nV (mV);I (pA)\n-10;-25\n0;0\n10;25\n")
    >>> sweeps = sts.read_file(path).sets[0]
    >>> sweeps.kind, sweeps.axis.tolist(), sweeps.current.tolist()
    ('iv', [-0.01, 0.0, 0.01], [[-2.5e-11, 0.0, 2.5e-11]])
    >>> sweeps.table["tip"].tolist()
    ['heron']
    """
    path = Path(path)
    loaded = read_bytes(bytes_of(path), path.name, recipe=recipe)
    if recipe is None or not recipe.file_name:
        return loaded
    labels = PathLabels((), [recipe.file_name], guess=False)
    return filled(loaded, lambda part: labels.statements(path.name, part.kind, part.columns, range(len(part))))[0]


def read_bytes(content: bytes, name: str, *, recipe: Recipe | None = None) -> LoadedFile:
    """As `read_file`, from bytes that are at hand.

    Parameters
    ----------
    content : bytes
    name : str
        Of the file.
    recipe : Recipe, optional

    Raises
    ------
    UnreadableFile
        As `read_file`.
    """
    used = recipe or NO_RECIPE
    try:
        reader, blocks, notes = scan(content, used)
        sets, more = assemble(blocks, name, used)
    except UnreadableFile as error:
        raise error.inside(name) from None
    said = not any(part.kind == "iz" for part in sets) or any(says_height(block, used) for block in blocks)
    return LoadedFile(name, content, reader, recipe_text(used), sets, (*notes, *more), height_said=said)


def scan(content: bytes, recipe: Recipe) -> tuple[str, list[Block], list[str]]:
    """The name of the reader, the blocks and the notes of a file, before anything is made of them.

    Parameters
    ----------
    content : bytes
    recipe : Recipe

    Raises
    ------
    UnreadableFile
        If the file holds no block of numbers.
    """
    kind = format_of(content)
    return kind.name, *kind.blocks(content, recipe)


def format_of(content: bytes) -> Format:
    """What kind of file these bytes are.

    Parameters
    ----------
    content : bytes
    """
    return next(kind for kind in FORMATS if kind.recognises(content))


def bytes_of(path: Path) -> bytes:
    """The bytes of a file, or `UnreadableFile` with the reason.

    Parameters
    ----------
    path : path

    Raises
    ------
    UnreadableFile
        If it is no file, too large, or cannot be read.
    """
    return bytes_and_time(path)[0]


def bytes_and_time(path: Path) -> tuple[bytes, str]:
    """As `bytes_of`, and when the file was last written: UTC, ISO 8601, "" if that cannot be had.

    Parameters
    ----------
    path : path

    Raises
    ------
    UnreadableFile
        As `bytes_of`.
    """
    try:
        found = os.stat(path)
        size = found.st_size
        if not (stat.S_ISREG(found.st_mode) or stat.S_ISDIR(found.st_mode)):
            raise UnreadableFile("is no regular file (a pipe or a device). Save it as a file.", place=path.name)
        if size > limits.LARGEST_FILE:
            raise UnreadableFile(f"has {size / 2**30:.1f} GB; files up to 2 GB are read. Split it.", place=path.name)
        with open(path, "rb") as stream:
            content = stream.read()
    except IsADirectoryError:
        raise UnreadableFile("is a folder; give its files.", place=path.name) from None
    except OSError as error:
        raise UnreadableFile(
            f"cannot be read ({error.strerror}). Check path and permissions.", place=path.name
        ) from None
    except ValueError as error:
        if isinstance(error, UnreadableFile):
            raise
        raise UnreadableFile(f"is not a usable path ({error}).", place=path.name) from None
    try:
        return content, datetime.fromtimestamp(found.st_mtime, UTC).isoformat(timespec="milliseconds")
    except (OSError, ValueError, OverflowError):
        return content, ""
