"""The files of a call: what lies in the folders that were named, in the order people count, and what cannot be read."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from sts.loaders.name_patterns import without_copy_mark
from sts.loaders.path_names import natural_key

BESIDE = {  # what lies beside sweeps in a folder
    ".json", ".toml", ".md", ".html", ".htm", ".pdf", ".png", ".svg", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp", ".gif",
    ".heic", ".mp4", ".mov", ".doc", ".docx", ".odt", ".ppt", ".pptx", ".rtf", ".lnk", ".exe", ".py", ".ipynb",
}  # fmt: skip
ABOVE = 3  # folders above the imported one whose names are kept, for logbooks that name them


@dataclass(frozen=True)
class FoundFile:
    """A file to be read, and where it was found."""

    path: Path
    folder: str  # from the imported folder down, with "/" between; of a file named by itself as typed
    above: str  # names of the folders above that
    by_itself: bool = False  # whether it was named, not only its folder

    @property
    def name(self) -> str:
        """Folder and name, as labels and logbooks see it."""
        return f"{self.folder}/{self.path.name}" if self.folder else self.path.name

    @property
    def modified(self) -> str:
        """When the file was last written, UTC, ISO 8601; "" if that cannot be had."""
        try:
            return datetime.fromtimestamp(self.path.stat().st_mtime, UTC).isoformat(timespec="milliseconds")
        except (OSError, ValueError, OverflowError):
            return ""


@dataclass
class Found:
    """What a call named."""

    files: list[FoundFile] = field(default_factory=list)
    unreadable: list[tuple[str, str]] = field(default_factory=list)  # (path, why)
    no_sweeps: list[str] = field(default_factory=list)  # pictures, notes ... by their ending


def find_files(paths: Iterable[str | Path], *, but_not: Sequence[str | Path | None] = ()) -> Found:
    """The files that `paths` name, each once: of folders all that is not hidden, a picture or a document.

    Names are sorted as people count (s2 before s10), a file marked as a copy after all others.
    """
    leave = {os.path.realpath(path) for path in but_not if path is not None}
    found = Found()
    seen: set[str] = set()
    for path in map(Path, paths):
        here = Found(files=[_named(path)]) if not path.is_dir() else _in_folder(path)
        found.unreadable += here.unreadable
        found.no_sweeps += here.no_sweeps
        for file in here.files:
            real = os.path.realpath(file.path)
            if real not in leave and real not in seen:
                seen.add(real)
                found.files.append(file)
    found.files.sort(key=lambda file: without_copy_mark(file.path.stem)[1])  # stable: else as they came
    return found


def _named(path: Path) -> FoundFile:
    """A file that was named by itself: its folder is what was typed of it."""
    parts = [p for p in path.parent.parts if p not in (".", "..", path.anchor)]
    folder = "/".join(parts[-1:] if path.is_absolute() else parts)
    return FoundFile(path, folder, _above(path.parent, len(folder.split("/")) if folder else 0), by_itself=True)


def _above(folder: Path, known: int) -> str:
    """The names of up to `ABOVE` folders above the last `known` ones of a path."""
    try:
        parts = Path(os.path.abspath(folder)).parts[1:]
    except (OSError, ValueError):
        return ""
    return "/".join(parts[: len(parts) - known][-ABOVE:])


def _in_folder(root: Path) -> Found:
    found = Found()
    name = Path(os.path.abspath(root)).name
    above = _above(root, 1)

    def told(error: OSError) -> None:
        where = error.filename or str(root)
        found.unreadable.append((str(where), f"the folder cannot be read ({error.strerror}). Check its permissions."))

    for inside, folders, names in os.walk(root, onerror=told):
        here = Path(inside)
        for folder in sorted(folders, key=natural_key):
            if (here / folder).is_symlink():
                found.unreadable.append(
                    (str(here / folder), "is a link to a folder, which is not followed. Name the folder.")
                )
        folders[:] = sorted((f for f in folders if not f.startswith(".")), key=natural_key)
        below = "/".join([name, *here.relative_to(root).parts])
        for file in sorted((n for n in names if not n.startswith(".")), key=natural_key):
            if os.path.splitext(file)[1].lower() in BESIDE:
                found.no_sweeps.append(str(here / file))
            elif why := _not_a_file(here / file):
                found.unreadable.append((str(here / file), why))
            else:
                found.files.append(FoundFile(here / file, below, above))
    found.files.sort(key=lambda file: [natural_key(part) for part in (*file.folder.split("/"), file.path.name)])
    return found


def _not_a_file(path: Path) -> str:
    """Why a path is no file that can be read; "" if it is one."""
    try:
        mode = path.stat().st_mode
    except OSError as error:
        if path.is_symlink():
            return "is a link that leads nowhere. Copy the file itself here."
        return f"cannot be read ({error.strerror}). Check its permissions."
    return "" if stat.S_ISREG(mode) else "is no regular file (a pipe or a device). Save it as a file."
