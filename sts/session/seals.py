"""Checksums for what describes the numbers: names, attributes, units, shapes and lists of chunks of a session file.

Numbers and texts have checksums of their own (`sts.session.tables`); HDF5 guards nothing of the rest, so that a flipped bit in the
name of a column, in a unit or in the list of chunks went unnoticed. The checksums stand together in ``/entry/seals``, written
anew at the end of every change and compared whenever a part of the file is read.
"""

from __future__ import annotations

import json
import zlib
from functools import cached_property

import h5py
import numpy as np

FIRST_SEALED = 3  # the format of sessions that have them
SEALS = "seals"
ENTRY = "/entry"


class SealedFile(h5py.File):  # type: ignore[misc]  # h5py has no types
    """A session file open for reading, whose parts can be held against their checksums."""

    @cached_property
    def seals(self) -> dict[str, int]:
        """Checksum by place in the file; none for a session from before there were any.

        Raises
        ------
        ValueError
            If they are damaged themselves.
        """
        if int(self.attrs["sts_format"]) < FIRST_SEALED:
            return {}
        stored = self["entry"][SEALS]
        text = stored[...].tobytes()
        if zlib.crc32(text) != stored.attrs["crc32"]:
            raise ValueError(f"{ENTRY}/{SEALS} does not have its checksum")
        return dict(json.loads(text))

    def altered(self, name: str = "") -> list[str]:
        """The places in a group under ``/entry`` that are not as they were written: changed, lost or added.

        Parameters
        ----------
        name : str
            Of the group; "": the frame of the file, which is its outermost attributes and the names of its groups.
        """
        if not self.seals or name == SEALS:
            return []
        if name:
            place = f"{ENTRY}/{name}"
            now = _inside(self["entry"][name], place)
            before = {key: value for key, value in self.seals.items() if key == place or key.startswith(f"{place}/")}
        else:
            now = _frame(self)
            before = {
                key: 0 if key.count("/") == 2 else value for key, value in self.seals.items() if key.count("/") < 3
            }
        return sorted(key for key in now.keys() | before.keys() if now.get(key) != before.get(key))


def seal(file: h5py.File) -> None:
    """Write the checksums of all that a file holds now, and the format that promises them.

    Parameters
    ----------
    file : h5py.File
        Open for a change that is otherwise done.
    """
    entry = file["entry"]
    if SEALS in entry:
        del entry[SEALS]
    file.attrs["sts_format"] = max(int(file.attrs["sts_format"]), FIRST_SEALED)
    seals = {key: value for key, value in _frame(file).items() if value}
    for name in entry:
        seals |= _inside(entry[name], f"{ENTRY}/{name}")
    text = np.frombuffer(json.dumps(seals).encode(), np.uint8)
    stored = entry.create_dataset(SEALS, data=text, compression="gzip", compression_opts=1)
    stored.attrs["crc32"] = zlib.crc32(text.tobytes())


def _frame(file: h5py.File) -> dict[str, int]:
    """The outermost attributes, and 0 for each group: what is inside has checksums of its own."""
    names = {f"{ENTRY}/{name}": 0 for name in file["entry"] if name != SEALS}
    return {"/": _checksum(file), ENTRY: _checksum(file["entry"]), **names}


def _inside(part: h5py.Group | h5py.Dataset, place: str) -> dict[str, int]:
    members = part if isinstance(part, h5py.Group) else ()  # none of a session's has groups in it
    return {place: _checksum(part), **{f"{place}/{name}": _member(part, name) for name in members}}


def _member(group: h5py.Group, name: str) -> int:
    """The checksum of a member; 0, which none has, where it is no such or cannot be read."""
    try:
        return _checksum(group[name]) if is_inside(group, name) else 0
    except (OSError, RuntimeError, KeyError, ValueError, TypeError):  # how h5py says that it is damaged
        return 0


def is_inside(group: h5py.Group, name: str) -> bool:
    """Whether what a group calls by a name is in it, and not a link to something elsewhere.

    Parameters
    ----------
    group : h5py.Group
    name : str
    """
    return isinstance(group.get(name, getlink=True), h5py.HardLink)


def _checksum(part: h5py.Group | h5py.Dataset) -> int:
    """Of the attributes; of a dataset also of its shape, type and chunks (where each belongs, its filters and size)."""
    about = [repr(sorted((name, np.asarray(value).tolist()) for name, value in part.attrs.items()))]
    if isinstance(part, h5py.Dataset):
        about += [repr(part.shape), part.id.get_type().encode().hex()]
        if part.chunks:
            part.id.chunk_iter(lambda chunk: about.append(repr((chunk.chunk_offset, chunk.filter_mask, chunk.size))))
    return zlib.crc32("\n".join(about).encode()) or 1
