"""From single sweeps to `SweepSet`s: sweeps on one axis together, repeats numbered, every sweep with a name."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import PurePath
from typing import Any

import numpy as np

from sts.sweeps import NUMBER_COLUMNS, SweepSet


@dataclass(eq=False)
class Sweep:
    """One sweep on its way into a set."""

    kind: str
    axis: np.ndarray
    current: np.ndarray | None
    lockin: np.ndarray | None
    lockin_unit: str
    direction: str
    repeat: float
    label: str  # from a column `sweep` or a group; "" if none
    values: dict[str, Any] = field(default_factory=dict)


def safe_name(text: str) -> str:
    """Letters, digits, ``.``, ``_`` and ``-`` of a text; anything else becomes ``_``."""
    return re.sub(r"_{2,}", "_", "".join(c if c.isalnum() or c in "._-" else "_" for c in text)).strip("_") or "sweep"


def sets_of(sweeps: list[Sweep], name: str, notes: Iterable[str]) -> tuple[SweepSet, ...]:
    """The sets of the sweeps of one file, those on exactly the same axis together."""
    _number_repeats(sweeps)
    names = _sweep_names(sweeps, name)
    groups: dict[tuple[Any, ...], list[int]] = {}
    for i, sweep in enumerate(sweeps):
        key = (sweep.kind, sweep.axis.tobytes(), sweep.current is not None, sweep.lockin is not None, sweep.lockin_unit)
        groups.setdefault(key, []).append(i)
    sets = []
    for members in groups.values():
        chosen = [sweeps[i] for i in members]
        first = chosen[0]
        columns = {"sweep": np.array([names[i] for i in members], object)}
        for field_name in dict.fromkeys(k for s in chosen for k in s.values):
            column = [s.values.get(field_name, np.nan if field_name in NUMBER_COLUMNS else "") for s in chosen]
            number = all(isinstance(v, float) for v in column)
            cells = column if number else [f"{v:.9g}" if isinstance(v, float) else v for v in column]
            columns[field_name] = np.array(cells, float if number else object)
        columns["direction"] = np.array([s.direction for s in chosen], object)
        columns["repeat"] = np.array([s.repeat for s in chosen], float)
        columns["source"] = np.full(len(chosen), name, object)
        unknown = np.full(first.axis.size, np.nan)
        sets.append(
            SweepSet(
                first.kind,
                first.axis,
                np.array([s.current if s.current is not None else unknown for s in chosen]),
                columns,
                lockin=np.array([s.lockin for s in chosen]) if first.lockin is not None else None,
                lockin_unit=first.lockin_unit,
                notes=tuple(notes),
            )
        )
    return tuple(sets)


def _number_repeats(sweeps: list[Sweep]) -> None:
    """Number sweeps that share label and direction, where the file does not."""
    groups: dict[tuple[Any, ...], list[Sweep]] = {}
    for sweep in sweeps:
        about = tuple(str(sweep.values.get(k, "")) for k in ("sample", "tip", "site"))
        groups.setdefault((sweep.kind, sweep.label, sweep.direction, about), []).append(sweep)
    for members in groups.values():
        given = [s.repeat for s in members]
        if len(members) > 1 and (np.isnan(given).any() or len(set(given)) < len(given)):
            for number, sweep in enumerate(members, 1):
                sweep.repeat = float(number)


def _sweep_names(sweeps: list[Sweep], name: str) -> list[str]:
    stem = safe_name(PurePath(name).stem)
    if len(sweeps) == 1:
        return [stem]
    many_directions = len({s.direction for s in sweeps}) > 1
    alike: dict[tuple[str, str], list[float]] = {}
    for s in sweeps:
        alike.setdefault((s.label, s.direction), []).append(s.repeat)
    names: list[str] = []
    seen: set[str] = set()
    counts: dict[tuple[str, str], int] = {}
    for s in sweeps:
        key = (s.label, s.direction)
        counts[key] = counts.get(key, 0) + 1
        repeats = alike[key]
        parts = [stem, s.label, s.direction if many_directions else ""]
        if len(repeats) > 1:  # by the file's own numbers where they tell the sweeps apart, else in order
            own = len(set(repeats)) == len(repeats) and not np.isnan(repeats).any()
            parts.append(f"{s.repeat:.9g}" if own else str(counts[key]))
        base = safe_name("_".join(p for p in parts if p))
        unique, number = base, 2
        while unique in seen:
            unique, number = f"{base}-{number}", number + 1
        seen.add(unique)
        names.append(unique)
    return names
