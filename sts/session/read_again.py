"""Reading the sweeps of an imported file again, from its original bytes."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sts.session.copies import keys_of
from sts.sweeps import SweepSet


def keys_in(part: SweepSet) -> list[bytes]:
    """What each sweep of a set is known by.

    Parameters
    ----------
    part : SweepSet
    """
    return [key.tobytes() for key in keys_of(part.axis, part.signal)]


def read_original(source: Mapping[str, Any], content: bytes | None, folder: Path) -> list[SweepSet]:
    """Read the sweeps of an imported file from its original bytes; none where that cannot be done.

    Parameters
    ----------
    source : mapping
        Its row of the sources.
    content : bytes or None
    folder : path
        Where files may be written.
    """
    from sts.loaders import read_file, read_recipe

    name = str(source["name"])
    if content is None or source["reader"] == "":
        return []
    try:
        place = folder / "original"
        place.mkdir(exist_ok=True)
        copy = place / (name if is_plain(name) else f"original{Path(name).suffix[:20]}")
        copy.write_bytes(content)
        recipe = None
        if source["recipe"]:
            (folder / "recipe.toml").write_text(str(source["recipe"]), encoding="utf-8", newline="\n")
            recipe = read_recipe(folder / "recipe.toml")
        return list(read_file(copy, recipe=recipe).sets)
    except (ValueError, OSError):
        return []


def is_plain(name: str) -> bool:
    """Whether a name may be that of a file here, whatever system it comes from.

    Parameters
    ----------
    name : str
    """
    return Path(name).name == name not in ("", ".", "..") and len(name.encode()) <= 200 and "\0" not in name
