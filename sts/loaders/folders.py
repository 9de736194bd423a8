"""The files of a call: what lies in the folders that were named, in the order people count, and what cannot be read."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from sts.loaders.path_names import natural_key
from sts.loaders.patterns import without_copy_mark

BESIDE = {  # what lies beside sweeps in a folder
    ".json", ".toml", ".md", ".html", ".htm", ".pdf", ".png", ".svg", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp", ".gif",
    ".heic", ".mp4", ".mov", ".doc", ".docx", ".odt", ".ppt", ".pptx", ".rtf", ".lnk", ".exe", ".py", ".ipynb",
}  # fmt: skip
_COPIES = re.compile(
    r"(?i)(?:.*[\s_\-])?(?:backups?|bak|cop(?:y|ies)|kopien?|sicherung)(?:[\s_\-].*)?"
)  # names of folders
ABOVE = 3  # folders above the imported one whose names are kept, for logbooks that name them


@dataclass(frozen=True)
class FoundFile:
    """A file to be read, and where it was found."""

    path: Path
    folder: str  # from the imported folder down, with "/" between; of a file named by itself as typed
    above: str  # names of the folders above that
    real: str  # path without links
    by_itself: bool = False  # whether it was named, not only its folder
    link: bool = False  # whether it is a link to a file

    @property
    def name(self) -> str:
        """Folder and name, as labels and logbooks see it."""
        return f"{self.folder}/{self.path.name}" if self.folder else self.path.name


@dataclass
class Found:
    """What a call named."""

    files: list[FoundFile] = field(default_factory=list)
    unreadable: list[tuple[str, str]] = field(default_factory=list)  # (path, why)
    no_sweeps: list[str] = field(default_factory=list)  # pictures, notes ... by their ending


def find_files(paths: Iterable[str | Path], *, but_not: Sequence[str | Path | None] = ()) -> Found:
    """The files that `paths` name, each once: of folders all that is not hidden, a picture or a document.

    Names are sorted as people count (s2 before s10), files and folders marked as copies after all others. Of a file and a
    link to it the file is taken.

    Parameters
    ----------
    paths : iterable of path
        Files and folders.
    but_not : sequence of path
        Files to leave out; `None` among them is passed over.
    """
    leave = {os.path.realpath(path) for path in but_not if path is not None}
    found = Found()
    seen: dict[str, int] = {}
    for path in map(Path, paths):
        if path.is_dir():
            here = Found()
            name = Path(os.path.abspath(path)).name
            _gather(str(path), os.path.realpath(path), name, _above(path, 1), here)
        else:
            here = Found(files=[_named(path)])
        found.unreadable += here.unreadable
        found.no_sweeps += here.no_sweeps
        for file in here.files:
            if file.real in leave:
                continue
            if (place := seen.setdefault(file.real, len(found.files))) == len(found.files):
                found.files.append(file)
            elif found.files[place].link and not file.link:
                found.files[place] = file
    found.files.sort(key=_is_copy)  # stable: else as they came
    return found


def _is_copy(file: FoundFile) -> bool:
    """Whether a file or a folder of it is called a copy."""
    return without_copy_mark(file.path.stem)[1] or any(map(_COPIES.fullmatch, file.folder.split("/")))


def _named(path: Path) -> FoundFile:
    """A file that was named by itself: its folder is what was typed of it."""
    parts = [p for p in path.parent.parts if p not in (".", "..", path.anchor)]
    folder = "/".join(parts[-1:] if path.is_absolute() else parts)
    above = _above(path.parent, len(folder.split("/")) if folder else 0)
    return FoundFile(path, folder, above, os.path.realpath(path), by_itself=True, link=path.is_symlink())


def _above(folder: Path, known: int) -> str:
    """The names of up to `ABOVE` folders above the last `known` ones of a path."""
    try:
        parts = Path(os.path.abspath(folder)).parts[1:]
    except (OSError, ValueError):
        return ""
    return "/".join(parts[: len(parts) - known][-ABOVE:])


def _gather(here: str, real: str, below: str, above: str, found: Found) -> None:
    """Add what lies in a folder and its folders, in natural order, to what was found.

    Parameters
    ----------
    here, real : str
        The folder as typed, and without links.
    below, above : str
        The folder from the imported one down, and the folders above that.
    """
    try:
        with os.scandir(here) as entries:
            known = sorted(
                (e for e in entries if not e.name.startswith(".")), key=lambda entry: natural_key(entry.name)
            )
    except OSError as error:
        why = f"the folder cannot be read ({error.strerror}). Check its permissions."
        found.unreadable.append((here, f"{os.path.basename(real)}: {why}"))
        return
    for entry in known:
        path = f"{here.rstrip(os.sep)}{os.sep}{entry.name}"
        if entry.is_dir(follow_symlinks=False):
            _gather(path, f"{real}{os.sep}{entry.name}", f"{below}/{entry.name}", above, found)
        elif os.path.splitext(entry.name)[1].lower() in BESIDE:
            found.no_sweeps.append(path)
        elif why := _not_a_file(entry):
            found.unreadable.append((path, f"{entry.name}: {why}"))
        else:
            own = os.path.realpath(path) if entry.is_symlink() else f"{real}{os.sep}{entry.name}"
            found.files.append(FoundFile(Path(path), below, above, own, link=entry.is_symlink()))


def _not_a_file(entry: os.DirEntry[str]) -> str:
    """Why an entry of a folder is no file that can be read; "" if it is one."""
    try:
        if entry.is_dir():
            return "is a link to a folder, which is not followed. Name the folder."
        if entry.is_file():
            return ""
        if entry.is_symlink() and not os.path.exists(entry.path):
            return "is a link that leads nowhere. Copy the file itself here."
    except OSError as error:
        return f"cannot be read ({error.strerror}). Check its permissions."
    return "is no regular file (a pipe or a device). Save it as a file."
