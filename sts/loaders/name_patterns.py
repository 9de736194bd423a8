"""Patterns of folder and file names, such as ``{tip}/tip{tip}_site{site}_{repeat}.txt``, and what they say of a file."""

from __future__ import annotations

import re
from functools import lru_cache

from sts.loaders.words import key_of, own_column
from sts.sweeps import NUMBER_COLUMNS

COPY = re.compile(
    r"(?i)^(?:copy (?:\(\d+\) )?of |kopie von )|(?:\s*-\s*(?:copy|kopie|copie|copia)|[ _]copy)?(?:\s*\(\d+\))?$"
)
_FIELD = re.compile(r"\{([^{}]*)\}")


def without_copy_mark(stem: str) -> tuple[str, bool]:
    """A name without what a file manager adds to a copy's, and whether there was such a mark."""
    bare = COPY.sub("", stem).strip()
    return (bare, bare != stem) if bare else (stem, False)


def check_pattern(pattern: str) -> None:
    """Refuse a pattern that cannot be used.

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
