"""Names that differ from those taken already."""

from __future__ import annotations

from collections.abc import Iterable


def unique(name: str, taken: dict[str, int], *, before_ending: bool = False) -> str:
    """The name, with ``-2``, ``-3`` ... where it is taken already.

    Parameters
    ----------
    name : str
    taken : dict
        Each name with the last number tried for it; it is added to.
    before_ending : bool
        Whether the number stands before the ending of a file's name.
    """
    stem, dot, ending = name.rpartition(".") if before_ending and name.rfind(".") > 0 else (name, "", "")
    found = name
    number = taken.get(name, 1)
    while found in taken:
        number += 1
        found = f"{stem}-{number}{dot}{ending}"
    taken[name] = number
    taken.setdefault(found, 1)
    return found


def unique_files(names: Iterable[str]) -> list[str]:
    """Names of files that differ also where capitals do not count, as on many systems.

    Parameters
    ----------
    names : iterable of str
        Safe names; two different ones may have become one.
    """
    taken: dict[str, int] = {}
    found = []
    for name in names:
        lower = unique(name.lower(), taken, before_ending=True)
        found.append(name if lower == name.lower() else lower)
    return found
