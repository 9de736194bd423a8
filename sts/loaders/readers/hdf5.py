"""HDF5 files, NeXus and MATLAB 7.3 among them: datasets by path, scalars and attributes as header entries."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sts.loaders.arrays import Folders, scalar_text
from sts.loaders.block import Entry
from sts.loaders.limits import check_array_size
from sts.loaders.loaded import UnreadableFile, shown

_MAGIC = b"\x89HDF\r\n\x1a\n"
_NOT_ENTRIES = (
    "units", "unit", "signal", "axes", "default", "nx_class", "scale_factor", "add_offset", "_fillvalue", "missing_value",
)  # fmt: skip


def is_hdf5(content: bytes) -> bool:
    """Whether these are the bytes of an HDF5 file; it may begin with a block of the user's own.

    Parameters
    ----------
    content : bytes
    """
    return any(content[start : start + 8] == _MAGIC for start in (0, 512, 1024, 2048))


def hdf5_arrays(content: bytes) -> tuple[Folders, list[Entry]]:
    """The datasets of a file by group and path, and what its scalars and attributes say.

    Parameters
    ----------
    content : bytes

    Raises
    ------
    UnreadableFile
        If it links out of itself, claims an absurd size, or is a session.
    """
    import h5py

    with h5py.File(io.BytesIO(content), "r") as file:
        if "sts_format" in file.attrs:
            raise UnreadableFile("is a session, not a measurement. To bring sessions together: sts merge.")
        _refuse_links(file)
        visit = _Visit(len(content), matlab=content[:6] == b"MATLAB")
        entries = [Entry(k, t, "attribute of /") for k, v in file.attrs.items() if (t := scalar_text(v))]
        file.visititems(visit)
    return visit.folders, [*entries, *visit.entries]


@dataclass
class _Visit:
    """Gathers what a file holds, item by item."""

    file_size: int  # bytes
    matlab: bool
    folders: Folders = field(default_factory=dict)
    entries: list[Entry] = field(default_factory=list)
    total: int = 0  # bytes of numbers so far

    def __call__(self, path: str, item: Any) -> None:
        import h5py

        folder = path if isinstance(item, h5py.Group) else path.rpartition("/")[0]
        for key, value in item.attrs.items():
            text = scalar_text(value)
            if text and key.lower() not in _NOT_ENTRIES:
                self._refuse_shift(key, text, path)
                self.entries.append(Entry(key, text, f"attribute of /{path}", folder))
        text_type = h5py.check_string_dtype(item.dtype) if isinstance(item, h5py.Dataset) else None
        if not isinstance(item, h5py.Dataset) or (item.dtype.hasobject and text_type is None):
            return
        self._check(path, item)
        leaf, unit = path.rsplit("/", 1)[-1], scalar_text(item.attrs.get("units", item.attrs.get("unit", "")))
        if text_type is not None:
            texts = item.asstr(errors="replace")[()]
            if isinstance(texts, str):
                self.entries.append(Entry(leaf, texts, f"/{path}", folder))
                return
            values = np.asarray(texts, object)
        else:
            values = _unpacked(np.asarray(item[()]), item.attrs)
            values = values.T.squeeze() if self.matlab else values
        if values.ndim == 0:
            if values.dtype.kind in "fiub":
                self.entries.append(Entry(leaf, f"{scalar_text(values)} {unit}".strip(), f"/{path}", folder))
            return
        self.folders.setdefault(folder, {})[path] = (values, unit)

    def _refuse_shift(self, key: str, text: str, path: str) -> None:
        """An offset may be one to add, or to take off, or one that was."""
        if key.lower() == "offset" and text not in ("0", "0.0"):
            raise UnreadableFile(
                f"/{path} has the attribute 'offset' {text}; whether it is to be added is not said. Say add_offset for "
                "that (as in the climate and forecast conventions), or take it out."
            )

    def _check(self, path: str, item: Any) -> None:
        if item.external or item.is_virtual:  # a virtual one that leads to itself would end the whole program
            raise UnreadableFile(
                f"/{path} takes its numbers from elsewhere, which is not followed. Save a copy that holds them."
            )
        size = item.size * item.dtype.itemsize if item.size else 0
        self.total += size
        check_array_size(self.total, f"/{path}")
        if size > max(64_000_000, 1000 * self.file_size):
            raise UnreadableFile(
                f"/{path} claims {size / 1e6:.0f} MB in a file of {self.file_size / 1e6:.3f} MB; not opened. "
                "Export it again."
            )


def _unpacked(values: np.ndarray, attributes: Any) -> np.ndarray:
    """Stored numbers times `scale_factor` plus `add_offset`, fill values as NaN.

    Notes
    -----
    CF Metadata Conventions 1.11 (2023), sections 2.5.1 and 8.1: fill values are those of the packed numbers.
    """
    if values.dtype.kind not in "fiu":
        return values
    fills = [attributes[name] for name in ("_FillValue", "missing_value") if name in attributes]
    scale, offset = (
        np.asarray(attributes.get(n, d)).reshape(-1)[0] for n, d in (("scale_factor", 1), ("add_offset", 0))
    )
    if not fills and scale == 1 and offset == 0:
        return values
    missing = np.isin(values, np.concatenate([np.asarray(f).reshape(-1) for f in fills])) if fills else False
    return np.where(missing, np.nan, values.astype(float) * float(scale) + float(offset))


def _refuse_links(file: Any) -> None:
    """Refuse links to other files anywhere in the tree (they would open what the sender chose)."""
    import h5py

    waiting, seen = [file["/"]], set()
    while waiting:
        group = waiting.pop()
        address = h5py.h5o.get_info(group.id).addr
        if address in seen:  # a group may stand in many places, or in itself
            continue
        seen.add(address)
        for key in group:
            link = group.get(key, getlink=True)
            if isinstance(link, h5py.ExternalLink):
                raise UnreadableFile(
                    f"{group.name.rstrip('/')}/{key} links to the file {shown(link.filename)}, which is not followed. "
                    "Save a copy that holds the numbers."
                )
            child = group.get(key) if isinstance(link, h5py.HardLink) else None
            if isinstance(child, h5py.Group):
                waiting.append(child)
