"""Making HDF5 open a damaged file again: one that was cut short, one whose first bytes were overwritten.

Where things stand in the first bytes (superblock of version 0 and 2): HDF5 File Format Specification 3.0, section II.A.
"""

from __future__ import annotations

import mmap
import re
from pathlib import Path

import h5py

from sts.session import layout
from sts.session.change import NEW
from sts.session.faults import damage_passed
from sts.session.tables import TABLES
from sts.sweeps import KINDS

MASK = 0xFFFFFFFF
OBJECT_HEADER = rb"OHDR\x02"  # how what describes a group or a dataset begins; not in files of before 2008's format


def fill_up(copy: Path, said: list[str]) -> None:
    """Make a file that was cut short as long as it says to be.

    Parameters
    ----------
    copy : path
        Of the damaged file.
    said : list of str
        Gets what was done.
    """
    try:
        h5py.File(copy, "r", locking=False).close()
    except OSError as error:
        found = re.search(r"stored_eof = (\d+)", str(error))
        size = copy.stat().st_size
        if found and size < int(found[1]) < 4 * size + (1 << 20):
            with copy.open("rb+") as stream:
                stream.truncate(int(found[1]))
            said.append(f"The file ends {int(found[1]) - size} bytes too early; what lay there is lost.")


def new_start(copy: Path, said: list[str]) -> None:
    """Replace the superblock by that of a new session, which differs only in the length of the file.

    Where the groups that lead to the parts of the session are damaged themselves, the parts are put together again in a new file.

    Parameters
    ----------
    copy, said
        As for `fill_up`.
    """
    fresh = copy.with_name("fresh.h5")
    with copy.open("rb") as stream, mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as content:
        headers = [found.start() for found in re.finditer(OBJECT_HEADER, content)]
    with h5py.File(fresh, "w", locking=False, **(NEW if headers else {})) as file:
        layout.prepare(file)
    start = bytearray(fresh.read_bytes()[: 48 if headers else 96])
    end_of_file = 28 if headers else 40
    start[end_of_file : end_of_file + 8] = copy.stat().st_size.to_bytes(8, "little")
    if not headers:
        _overwrite(copy, start)
        said.append("The start of the file was damaged and was replaced.")
        return
    for root in headers:
        _overwrite(copy, _leading_to(start, root))
        if _has_entry(copy):
            said.append("The start of the file was damaged and was replaced.")
            return
    with h5py.File(fresh, "w", locking=False) as file:
        layout.prepare(file)
        for root in headers:
            _overwrite(copy, _leading_to(start, root))
            with damage_passed(), h5py.File(copy, "r", locking=False) as part:
                _take_over(part, file["entry"])
    fresh.replace(copy)
    said.append("What leads to the parts of the session was damaged; those that are there were put together again. Names, units "
                "and reasons could not be checked. Compare them.")  # fmt: skip


def _leading_to(start: bytearray, root: int) -> bytearray:
    """The superblock with another outermost group."""
    start[36:44] = root.to_bytes(8, "little")
    start[44:] = lookup3(bytes(start[:44])).to_bytes(4, "little")
    return start


def _overwrite(copy: Path, start: bytearray) -> None:
    with copy.open("rb+") as stream:
        stream.write(start)


def _has_entry(copy: Path) -> bool:
    """Whether the file opens; one whose outermost group is that of the session gets the name that leads to it."""
    with damage_passed(), h5py.File(copy, "r+", locking=False) as file:
        if layout.is_entry(file):
            file["entry"] = file["/"]
            file.attrs["sts_format"] = layout.FORMAT
        return "entry" in file and layout.is_entry(file["entry"])
    return False


def _take_over(part: h5py.Group, entry: h5py.Group) -> None:
    """Copy what is whole of a set or a table into the session; anything else is let be."""
    columns, signal = set(part.attrs.get("columns", ())), part.attrs.get("signal")
    if signal in ("current", "lockin"):
        kind = next(kind for kind, axis in KINDS.items() if axis in part)
        name = f"{kind}_{1 + sum(is_there.startswith(kind) for is_there in entry):03d}"
    else:  # the table that has these columns and fewest others
        known = [
            name for name, kinds in sorted(TABLES.items(), key=lambda table: len(table[1])) if columns <= set(kinds)
        ]
        if not columns or not known:
            return
        name = known[0]
    group = entry.require_group(name)
    for attribute, value in part.attrs.items():
        group.attrs[attribute] = value
    for member in part:
        with damage_passed():
            part.copy(member, group)


def lookup3(data: bytes) -> int:
    """The checksum of HDF5's own metadata: Jenkins' hash ``hashlittle`` with 0 to begin with.

    Parameters
    ----------
    data : bytes

    Notes
    -----
    B. Jenkins, lookup3.c (2006, public domain), which the HDF5 file format specification names; the test compares with what HDF5
    writes.
    """
    a = b = c = (0xDEADBEEF + len(data)) & MASK
    padded = data + bytes(-len(data) % 12)
    words = [int.from_bytes(padded[i : i + 4], "little") for i in range(0, len(padded), 4)]
    for i in range(0, len(words), 3):
        a, b, c = (a + words[i]) & MASK, (b + words[i + 1]) & MASK, (c + words[i + 2]) & MASK
        if i + 3 < len(words):
            for shift in (4, 6, 8, 16, 19, 4):
                a, b, c = b, (c + b) & MASK, (a - c) & MASK ^ _turned(c, shift)
        else:
            for shift in (14, 11, 25, 16, 4, 14, 24):
                a, b, c = b, ((c ^ b) - _turned(b, shift)) & MASK, a
    return b


def _turned(word: int, by: int) -> int:
    return (word << by | word >> (32 - by)) & MASK
