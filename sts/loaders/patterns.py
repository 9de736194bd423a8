"""Patterns of files: which ones a pattern speaks of, and what ``{tip}/tip{tip}_site{site}_{repeat}.txt`` says of them."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from functools import lru_cache

from sts.loaders.words import key_of, own_column
from sts.sweeps import NUMBER_COLUMNS

COPY = re.compile(
    r"(?i)^(?:copy (?:\(\d+\) )?of |kopie von )|(?:\s*-\s*(?:copy|kopie|copie|copia)|[ _]copy)?(?:\s*\(\d+\))?$"
)
_FIELD = re.compile(r"\{([^{}]*)\}")


def without_copy_mark(stem: str) -> tuple[str, bool]:
    """A name without what a file manager adds to a copy's, and whether there was such a mark.

    Parameters
    ----------
    stem : str
        A name without its ending.
    """
    bare = COPY.sub("", stem).strip()
    return (bare, bare != stem) if bare else (stem, False)


def check_pattern(pattern: str) -> None:
    """Refuse a pattern that cannot be used.

    Parameters
    ----------
    pattern : str

    Raises
    ------
    ValueError
        If a name in braces is no word, the toolkit uses it itself, or there is none.
    """
    names = _FIELD.findall(pattern)
    bad = [n for n in names if not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", n)]
    for name in names:
        if not bad and not key_of(name)[0]:
            own_column(name)
    if bad or not names:
        raise ValueError(
            f"'{pattern}' is no pattern of names: names in braces must be words, at least one, e.g. "
            "'{tip}_{site}_*.txt' or '{tip}/site{site}_{repeat}.txt'"
        )


@lru_cache(256)
def _compiled(pattern: str) -> re.Pattern[str]:
    parts = re.split(r"(\{[^{}]*\}|\*|\?)", pattern.replace("\\", "/").strip("/"))
    seen: set[str] = set()
    regex = ""
    for part in parts:
        if _FIELD.fullmatch(part):
            name = part[1:-1]
            column = key_of(name)[0] or name
            cell = (
                r"\d{1,9}" if column == "repeat" else r"[+-]?\d+(?:[.,]\d+)?" if column in NUMBER_COLUMNS else r"[^/]+?"
            )
            regex += f"(?P={name})" if name in seen else f"(?P<{name}>{cell})"
            seen.add(name)
        else:
            regex += {"*": "[^/]*?", "?": "[^/]"}.get(part) or re.escape(part)
    ending = "" if re.search(r"\.\w{1,5}$", pattern) or pattern.endswith("*") else r"(?:\.\w{1,5})?"
    return re.compile(rf"(?:.*/)?{regex}{ending}", re.IGNORECASE)


def values_from(pattern: str, path: str) -> dict[str, str]:
    """What a path says by a pattern: field to text; nothing where it does not fit.

    Parameters
    ----------
    pattern : str
        Fields in braces, ``*`` and ``?``; a field used twice must hold the same twice. With folders it is matched
        against the last folders of the path, without against the file's name. The ending may be left out.
    path : str
        With ``/`` between folders.
    """
    folder, _, name = path.rpartition("/")
    stem, dot, ending = name.rpartition(".") if "." in name else (name, "", "")
    bare, _ = without_copy_mark(stem)
    match = _compiled(pattern).fullmatch("/".join(p for p in (folder, f"{bare}{dot}{ending}") if p))
    return {key: value.strip() for key, value in match.groupdict().items()} if match else {}


# ---- which files a pattern of a logbook, a recipe or a command speaks of


def plain(name: str) -> str:
    """A name as patterns compare it: ``/`` between folders, small letters.

    Parameters
    ----------
    name : str
    """
    return unicodedata.normalize("NFC", name).replace("\\", "/").casefold()


@lru_cache(4096)
def compiled(pattern: str) -> re.Pattern[str]:
    """One part of a pattern; only ``*`` and ``?`` are special.

    Parameters
    ----------
    pattern : str
    """
    return re.compile("".join({"*": ".*", "?": "."}.get(c) or re.escape(c) for c in pattern))


@lru_cache(4096)
def _parts(pattern: str) -> tuple[str, ...]:
    return tuple(p for p in plain(pattern).split("/") if p not in ("", ".", "..") and not re.fullmatch("[a-z]:", p))


@lru_cache(256)
def _place(path: str, above: str) -> tuple[tuple[str, ...], str]:
    """Folders of a file, and its name, as patterns compare them."""
    *folders, name = plain(f"{above}/{path}").strip("/").split("/")
    return tuple(folders), name


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
    folders, name = _place(path, above)
    if not wanted:
        return False
    beyond = bool(re.match(r"\s*(?:[A-Za-z]:|[/\\])", pattern))  # from the root of a disk: above what is known
    if len(wanted) > 1 and wanted[-1] in ("*", "**", "*.*"):
        return _in_folder(folders, wanted[:-1], beyond)
    if pattern.rstrip().endswith(("/", "\\")):
        return _in_folder(folders, wanted, beyond)
    stem = name.rpartition(".")[0] or name
    if any(compiled(wanted[-1]).fullmatch(text) for text in (name, stem)) and _end_alike(folders, wanted[:-1], beyond):
        return True
    return not re.search(r"[*?.]", wanted[-1]) and _in_folder(folders, wanted, beyond)


@lru_cache(1 << 14)  # a folder holds many files, and each row of a logbook is asked about all of them
def _in_folder(folders: tuple[str, ...], wanted: tuple[str, ...], beyond: bool) -> bool:
    """Whether a file with these folders above it lies, however deep, in the folder that a pattern names."""
    return any(_end_alike(folders[:last], wanted, beyond) for last in range(len(folders), 0, -1))


def _end_alike(folders: Sequence[str], wanted: Sequence[str], beyond: bool) -> bool:
    """Whether the last of the folders are those wanted; with `beyond`, as far up as the folders are known."""
    if len(wanted) > len(folders) and not (beyond and folders):
        return False
    pairs = zip(reversed(folders), reversed(wanted), strict=False)
    return all(compiled(part).fullmatch(folder) for folder, part in pairs)
