"""Which files a pattern of a logbook, a recipe or a command speaks of."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache


def plain(name: str) -> str:
    """A name as patterns compare it: ``/`` between folders, small letters."""
    return unicodedata.normalize("NFC", name).replace("\\", "/").casefold()


@lru_cache(4096)
def compiled(pattern: str) -> re.Pattern[str]:
    """One part of a pattern; only ``*`` and ``?`` are special."""
    return re.compile("".join({"*": ".*", "?": "."}.get(c) or re.escape(c) for c in pattern))


def _parts(pattern: str) -> list[str]:
    return [p for p in plain(pattern).split("/") if p not in ("", ".", "..") and not re.fullmatch("[a-z]:", p)]


def fits(path: str, pattern: str, *, above: str = "") -> bool:
    """Whether a file fits a pattern of a logbook.

    Parameters
    ----------
    path : str
        Folder (from the imported one down) and name, with ``/`` between.
    pattern : str
        A name, or folders and a name, with ``*`` and ``?``; ``\\`` will do for ``/``, capitals do not matter, and the
        name's ending may be left out. ``tipB/*`` and ``tipB/`` are all that lies in a folder tipB, however deep.
    above : str
        Folders above the imported one, for patterns that name them; what a pattern says beyond is not looked at.
    """
    wanted = _parts(pattern)
    *folders, name = plain(f"{above}/{path}").strip("/").split("/")
    if not wanted:
        return False
    beyond = bool(
        re.match(r"\s*(?:[A-Za-z]:|[/\\])", pattern)
    )  # from the root of a disk: more than is known of the file
    if len(wanted) > 1 and wanted[-1] in ("*", "**", "*.*"):
        return _in_folder(folders, wanted[:-1], beyond)
    if pattern.rstrip().endswith(("/", "\\")):
        return _in_folder(folders, wanted, beyond)
    stem = name.rpartition(".")[0] or name
    if any(compiled(wanted[-1]).fullmatch(text) for text in (name, stem)) and _end_alike(folders, wanted[:-1], beyond):
        return True
    return not re.search(r"[*?.]", wanted[-1]) and _in_folder(folders, wanted, beyond)


def _in_folder(folders: list[str], wanted: list[str], beyond: bool) -> bool:
    """Whether a file with these folders above it lies, however deep, in the folder that a pattern names."""
    return any(_end_alike(folders[:last], wanted, beyond) for last in range(len(folders), 0, -1))


def _end_alike(folders: list[str], wanted: list[str], beyond: bool) -> bool:
    """Whether the last of the folders are those wanted; with `beyond`, as far up as the folders are known."""
    if len(wanted) > len(folders) and not (beyond and folders):
        return False
    pairs = zip(reversed(folders), reversed(wanted), strict=False)
    return all(compiled(part).fullmatch(folder) for folder, part in pairs)
