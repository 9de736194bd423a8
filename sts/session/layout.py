"""The layout of the HDF5 file, following the open NeXus base classes, so that general viewers plot it.

::

    /                       NXroot   default="entry", sts_format=1
    /entry                  NXentry  default="iv_001"
    /entry/iv_001, iz_001   NXdata   signal="current" (or "lockin"), axes=["sweep", "bias" or "height"]
        sweep (m,)          number of the sweep, 1 to m
        bias or height (n,) axis
        current (m, n), lockin (m, n)
        name, sample, tip, ... (m,)   the columns of the table, beside the sweeps
    /entry/sources          NXcollection: one group a file, with its original bytes
    /entry/decisions        NXcollection: append-only columns
    /entry/calibrations     NXcollection: append-only columns
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import h5py
import numpy as np
import pandas as pd

from sts.sweeps import AXIS_UNITS, KINDS, NUMBER_COLUMNS, SweepSet

FORMAT = 1
TEXT = h5py.string_dtype("utf-8")
CHUNK_VALUES = 1 << 17  # 1 MB of float64 a chunk
SIGNALS = ("current", "lockin")
UNITS = {
    "repeat": "",
    "x_m": "m",
    "y_m": "m",
    "temperature_K": "K",
    "setpoint_current_A": "A",
    "setpoint_bias_V": "V",
    "bias_V": "V",
    "duration_s": "s",
    "full_scale_A": "A",
    "modulation_V": "V",
}
LOGS = {
    "decisions": ("time", "sweep", "action", "why"),
    "calibrations": ("kind", "factor", "factor_se", "measured", "known", "source", "time"),
}
LOG_NUMBERS = {"factor", "factor_se", "measured", "known"}


def prepare(file: h5py.File) -> None:
    """Write the frame of a new session into an empty file."""
    file.attrs.update({"NX_class": "NXroot", "default": "entry", "sts_format": FORMAT})
    entry = file.create_group("entry")
    entry.attrs["NX_class"] = "NXentry"
    entry.create_dataset("definition_note", data="sweeps of a scanning tunnelling microscope; NeXus base classes")
    for name in ("sources", *LOGS):
        entry.create_group(name).attrs["NX_class"] = "NXcollection"
    for name, columns in LOGS.items():
        for column in columns:
            dtype = np.dtype(float) if column in LOG_NUMBERS else TEXT
            entry[name].create_dataset(column, shape=(0,), maxshape=(None,), dtype=dtype)


def set_names(file: h5py.File, kind: str | None = None) -> list[str]:
    """The names of the sets of sweeps, in order of import."""
    kinds = [kind] if kind else list(KINDS)
    return sorted((n for n in file["entry"] if n.split("_")[0] in kinds), key=lambda n: (n.split("_")[0], int(n[3:])))


def append(group: h5py.Group, name: str, values: Any) -> None:
    """Add values at the end of a resizable dataset."""
    data = group[name]
    start = len(data)
    data.resize(start + len(values), axis=0)
    data[start:] = values


def append_log(file: h5py.File, log: str, rows: Sequence[dict[str, Any]]) -> None:
    """Add rows to an append-only log."""
    for column in LOGS[log]:
        append(file["entry"][log], column, [row[column] for row in rows])


def read_log(file: h5py.File, log: str) -> pd.DataFrame:
    """An append-only log as a table."""
    group = file["entry"][log]
    return pd.DataFrame({column: _values(group[column]) for column in LOGS[log]}, columns=list(LOGS[log]))


def _values(data: h5py.Dataset) -> Any:
    return pd.Series(data.asstr()[...], dtype=object) if h5py.check_string_dtype(data.dtype) else data[...]


def add_sweeps(file: h5py.File, sweeps: SweepSet) -> str:
    """Add sweeps to the set they fit (same kind, axis, channels), else to a new one; return its name."""
    for name in set_names(file, sweeps.kind):
        if _fits(file["entry"][name], sweeps):
            _extend(file["entry"][name], sweeps)
            return name
    number = len(set_names(file, sweeps.kind)) + 1
    name = f"{sweeps.kind}_{number:03d}"
    _create(file["entry"].create_group(name), sweeps)
    if "default" not in file["entry"].attrs:
        file["entry"].attrs["default"] = name
    return name


def _fits(group: h5py.Group, sweeps: SweepSet) -> bool:
    axis = group[KINDS[sweeps.kind]]
    return (
        axis.shape == sweeps.axis.shape
        and np.array_equal(axis[...], sweeps.axis)
        and ("lockin" in group) == (sweeps.lockin is not None)
        and group.attrs["signal"] == _signal(sweeps)
        and (sweeps.lockin is None or group["lockin"].attrs["units"] == sweeps.lockin_unit)
    )


def _signal(sweeps: SweepSet) -> str:
    return "current" if sweeps.has_current or sweeps.lockin is None else "lockin"


def _create(group: h5py.Group, sweeps: SweepSet) -> None:
    axis = KINDS[sweeps.kind]
    group.attrs.update({"NX_class": "NXdata", "signal": _signal(sweeps)})
    group.attrs.create("axes", ["sweep", axis], dtype=TEXT)
    group.create_dataset(axis, data=sweeps.axis).attrs["units"] = AXIS_UNITS[sweeps.kind]
    points = sweeps.axis.size
    rows = max(1, CHUNK_VALUES // points)
    for signal in SIGNALS if sweeps.lockin is not None else SIGNALS[:1]:
        data = group.create_dataset(
            signal, (0, points), maxshape=(None, points), dtype=float, chunks=(min(rows, 1024), points),
            compression="gzip", compression_opts=1, shuffle=True,
        )  # fmt: skip
        data.attrs["units"] = "A" if signal == "current" else sweeps.lockin_unit
    group.create_dataset("sweep", (0,), maxshape=(None,), dtype="i8").attrs["units"] = ""
    _extend(group, sweeps)


def _extend(group: h5py.Group, sweeps: SweepSet) -> None:
    before = len(group["sweep"])
    append(group, "sweep", np.arange(before, before + len(sweeps)) + 1)
    for signal in SIGNALS:
        if signal in group:
            append(group, signal, getattr(sweeps, signal))
    table = sweeps.table.rename(columns={"sweep": "name"})
    known = set(group) - {"sweep", *SIGNALS, *KINDS.values()}
    for column in [*table.columns, *sorted(known - set(table.columns))]:
        numeric = column in NUMBER_COLUMNS or (column in table and pd.api.types.is_numeric_dtype(table[column]))
        if column not in group:
            data = group.create_dataset(
                column, (before,), maxshape=(None,), dtype=np.dtype(float) if numeric else TEXT,
                fillvalue=np.nan if numeric else None, chunks=(1024,), compression="gzip", compression_opts=1,
            )  # fmt: skip
            data.attrs["units"] = UNITS.get(column, "")
        is_text = h5py.check_string_dtype(group[column].dtype) is not None
        if column not in table:
            values: Any = [""] * len(table) if is_text else np.full(len(table), np.nan)
        elif is_text:
            values = [str(value) for value in table[column]]
        else:
            values = pd.to_numeric(table[column], errors="coerce").to_numpy(float)
        append(group, column, values)


def read_table(group: h5py.Group) -> pd.DataFrame:
    """The per-sweep table of a set, without reading any current."""
    skip = {"sweep", *SIGNALS, *KINDS.values()}
    columns = {name: _values(data) for name, data in group.items() if name not in skip}
    table = pd.DataFrame({"sweep": columns.pop("name"), **columns})
    return table


def read_set(group: h5py.Group, kind: str, rows: np.ndarray | None = None) -> SweepSet:
    """A set of sweeps, whole or only some rows (ascending positions)."""

    def pick(data: h5py.Dataset) -> np.ndarray:
        if rows is None or len(rows) > len(data) // 4:  # one large read beats many small ones
            whole = data[...]
            return np.asarray(whole if rows is None else whole[rows])
        return np.asarray(data[rows])

    table = read_table(group)
    return SweepSet(
        kind=kind,
        axis=group[KINDS[kind]][...],
        current=pick(group["current"]),
        table=table if rows is None else table.iloc[rows].reset_index(drop=True),
        lockin=pick(group["lockin"]) if "lockin" in group else None,
        lockin_unit=str(group["lockin"].attrs["units"]) if "lockin" in group else "",
    )
