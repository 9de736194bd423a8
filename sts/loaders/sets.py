"""From single sweeps to `SweepSet`s: sweeps on one axis together, repeats numbered, every sweep with a name."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import PurePath
from typing import Any

import numpy as np

from sts.loaders.runs import Run
from sts.naming import unique
from sts.sweeps import NUMBER_COLUMNS, SweepSet


def safe_name(text: str) -> str:
    """Letters, digits, ``.``, ``_`` and ``-`` of a text; anything else becomes ``_``.

    Parameters
    ----------
    text : str
    """
    return re.sub(r"_{2,}", "_", "".join(c if c.isalnum() or c in "._-" else "_" for c in text)).strip("_") or "sweep"


def sets_of(runs: list[Run], name: str, notes: tuple[str, ...]) -> tuple[SweepSet, ...]:
    """The sets of the sweeps of the file `name`, those on exactly the same axis together; each stack is a set.

    Parameters
    ----------
    runs : list of Run
        Of the file; repeats are numbered in place.
    name : str
        Of the file.
    notes : tuple of str
        That go with each set.
    """
    single = [run for run in runs if not run.stacked]
    _number_repeats(single)
    names = iter(_sweep_names(single, name))
    groups: dict[tuple[Any, ...], list[tuple[Run, list[str]]]] = {}
    for i, run in enumerate(sorted(runs, key=lambda run: run.stacked)):
        key = (run.kind, run.axis.tobytes(), run.current is not None, run.lockin is not None, run.lockin_unit)
        own = _stack_names(run, name) if run.stacked else [next(names)]
        groups.setdefault((*key, i) if run.stacked else key, []).append((run, own))
    sets = tuple(_set(members, name, notes) for members in groups.values())
    known = [n for s in sets for n in s.names]
    if len(set(known)) < len(known):  # several groups of one file
        sets = tuple(s.with_table(s.table.assign(sweep=[f"{n}_{i}" for n in s.names])) for i, s in enumerate(sets, 1))
    return sets


def _set(members: list[tuple[Run, list[str]]], name: str, notes: tuple[str, ...]) -> SweepSet:
    first = members[0][0]
    names = [n for _, own in members for n in own]
    columns: dict[str, Any] = {"sweep": _texts(names)}
    for column in dict.fromkeys(k for run, _ in members for k in run.values if k != "sweep"):
        unknown = np.nan if column in NUMBER_COLUMNS else ""
        columns[column] = _cells([_spread(run.values.get(column, unknown), run.count) for run, _ in members])
    if "direction" not in columns or not first.stacked:
        columns["direction"] = _texts([d for run, _ in members for d in [run.direction] * run.count])
    if not first.stacked or first.repeat == first.repeat:
        columns["repeat"] = np.array([r for run, _ in members for r in [run.repeat] * run.count])
    columns["source"] = _texts([name] * len(names))
    lockin = [run.lockin for run, _ in members if run.lockin is not None]
    return SweepSet(
        first.kind,
        first.axis,
        _joined([_current_of(run) for run, _ in members]),
        columns,
        lockin=_joined(lockin) if lockin else None,
        lockin_unit=first.lockin_unit,
        notes=notes,
    )


def _current_of(run: Run) -> np.ndarray:
    return np.full((run.count, run.axis.size), np.nan) if run.current is None else run.current


def _joined(parts: list[np.ndarray]) -> np.ndarray:
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def _texts(values: list[str]) -> np.ndarray:
    cells = np.empty(len(values), object)
    cells[:] = values
    return cells


def _spread(value: Any, count: int) -> list[Any]:
    """One value for each of so many sweeps."""
    return list(value) if isinstance(value, np.ndarray) else [value] * count


def _cells(parts: list[list[Any]]) -> np.ndarray:
    """A column of the table: numbers if all are, else texts."""
    cells = [value for part in parts for value in part]
    if all(isinstance(value, float) for value in cells):
        return np.array(cells, float)
    return _texts([f"{value:.9g}" if isinstance(value, float) else value for value in cells])


def _number_repeats(sweeps: list[Run]) -> None:
    """Number sweeps that share label and direction, where the file does not."""
    groups: dict[tuple[Any, ...], list[Run]] = {}
    for sweep in sweeps if len(sweeps) > 1 else ():
        about = tuple(str(sweep.values.get(k, "")) for k in ("sample", "tip", "site", "channel"))
        groups.setdefault((sweep.kind, sweep.label, sweep.direction, about), []).append(sweep)
    for members in groups.values():
        given = [s.repeat for s in members]
        if len(members) > 1 and (np.isnan(given).any() or len(set(given)) < len(given)):
            for number, sweep in enumerate(members, 1):
                sweep.repeat = float(number)


def _stack_names(run: Run, name: str) -> list[str]:
    """The names of the sweeps of a stack: by the file's own, else by number."""
    stem, (label, _, number) = safe_name(PurePath(name).stem), run.label.partition("|")
    given = run.values.get("sweep")
    if given is not None:
        names = [
            "_".join(p for p in ((safe_name(f"{stem}_{v:.9g}") if isinstance(v, float) else str(v)), label) if p)
            for v in _spread(given, run.count)
        ]
    else:
        base = safe_name("_".join(p for p in (stem, label) if p))
        width = len(str(run.count))
        names = [f"{base}_{i:0{width}d}" for i in range(1, run.count + 1)] if run.count > 1 else [base]
    if len(set(names)) < run.count:
        names = [f"{n}-{i}" for i, n in enumerate(names, 1)]
    return [f"{n}_{number}" for n in names] if number else names


def _sweep_names(sweeps: list[Run], name: str) -> list[str]:
    """The name that the file gives a sweep, as it is; else the file's own with what tells its sweeps apart."""
    stem = safe_name(PurePath(name).stem)
    if len(sweeps) == 1 and not sweeps[0].label and "sweep" not in sweeps[0].values:
        return [stem]
    many_directions = len({s.direction for s in sweeps}) > 1
    own = [_own_name(s) for s in sweeps]
    alike: dict[tuple[str, ...], list[Run]] = {}
    for s, given in zip(sweeps, own, strict=True):
        alike.setdefault((given, s.label, s.direction), []).append(s)
    shared = Counter(own)
    counts = Counter[tuple[str, ...]]()
    taken: dict[str, int] = {}
    names: list[str] = []
    for s, given in zip(sweeps, own, strict=True):
        key = (given, s.label, s.direction)
        counts[key] += 1
        if given:
            parts = [s.direction if shared[given] > 1 else ""]
        else:
            parts = [s.label or str(s.values.get("sweep", "")), s.direction if many_directions else ""]
        if len(alike[key]) > 1:  # by the file's own numbers where they tell the sweeps apart, else in order
            repeats = [r.repeat for r in alike[key]]
            numbered = len(set(repeats)) == len(repeats) and not np.isnan(repeats).any()
            parts.append(f"{s.repeat:.9g}" if numbered else str(counts[key]))
        more = safe_name("_".join(p for p in parts if p)) if any(parts) else ""
        names.append(unique("_".join(p for p in (given or stem, more) if p), taken))
    return names


def _own_name(sweep: Run) -> str:
    """What the file calls a sweep; "" if it does not, or only counts."""
    text = " ".join("".join(c if c.isprintable() else " " for c in str(sweep.values.get("sweep", ""))).split())
    return "" if re.fullmatch(r"[\d.]*", text) else text
