"""What would be read: a preview for each kind of file."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from sts.loaders import Preview, UnreadableFile
from sts.loaders.folders import Found, find_files
from sts.loaders.how import HowToRead


def preview_kinds(
    files: Iterable[str | Path], how: HowToRead, *, but_not: Sequence[str | Path] = ()
) -> tuple[list[tuple[Preview, list[str]]], Found]:
    """What would be read, one preview for each kind of file and the names of all files of it; and what was found.

    Files are of a kind if they have the same columns and the same entries in their header, or the same problem.

    Parameters
    ----------
    files : iterable of path
        Files or folders.
    how : HowToRead
    but_not : sequence of path
        Files to leave out, such as recipes.
    """
    kinds: dict[tuple[object, ...], tuple[Preview, list[str]]] = {}
    found = find_files(files, but_not=but_not)
    for file in found.files:
        try:
            seen = how.preview(file)
        except UnreadableFile as error:
            found.unreadable.append((str(file.path), str(error)))
            continue
        if seen.no_table and not file.by_itself:
            found.no_sweeps.append(str(file.path))
            continue
        problem = re.sub(r"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?", "#", seen.problem.removeprefix(seen.name))
        columns = tuple(seen.columns[["column", "unit", "read_as", "direction"]].itertuples(index=False, name=None))
        key = (seen.reader, columns, tuple(seen.metadata["key"]), problem)
        kinds.setdefault(key, (seen, []))[1].append(file.name)
    return list(kinds.values()), found
