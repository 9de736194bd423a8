"""Two results side by side: which numbers moved, and what differs that can explain it."""

from __future__ import annotations

import json
import math
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Any

from sts.report.number_words import count, listed

SAME = 1e-8  # results are stored with ten digits: a smaller relative difference is rounding
MOST_LINES = 40


def compare_results(older: str | Path, newer: str | Path) -> list[str]:
    """Say which numbers moved from one results folder to another, and why.

    Parameters
    ----------
    older, newer : path
        Folders that `write_results` wrote.

    Returns
    -------
    list of str
        Lines to print: what differs in settings, data, decisions, calibrations and versions; then the numbers.

    Raises
    ------
    ValueError
        If a folder holds no results.
    """
    return differences(read_results(older), read_results(newer))


def differences(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    """The same of results that were read.

    Parameters
    ----------
    old, new : dict
        As `read_results` gives them.
    """
    causes = [
        *_settings(old, new),
        *_data(old, new),
        *_decisions(old, new),
        *_calibrations(old, new),
        *_versions(old, new),
    ]
    moved = list(_moved(old, new))
    lines = ["What differs:"]
    lines += [f"  {cause}" for cause in causes] or [
        "  nothing: same settings, files, decisions, calibrations and versions"
    ]
    lines.append(f"Numbers that moved: {len(moved)}")
    if files := sorted({file for side in (old, new) for file in side.get("tables_beside", {}).values()}):
        lines.append(f"  of single sweeps nothing is compared: there are too many; {listed(files)} of both hold them")
    lines += [f"  {line}" for line in moved[:MOST_LINES]]
    if len(moved) > MOST_LINES:
        lines.append(f"  and {len(moved) - MOST_LINES} more")
    if moved and not causes:
        lines.append(
            "Nothing recorded explains this: the program changed without a new version, or the files were edited."
        )
    return lines


def read_results(folder: str | Path) -> dict[str, Any]:
    """What ``results.json`` of a results folder holds.

    Parameters
    ----------
    folder : path

    Raises
    ------
    ValueError
        If the folder holds no results.
    """
    path = Path(folder) / "results.json"
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ValueError(
            f"{folder} holds no results (no results.json). Give a folder that 'sts report' wrote."
        ) from error
    except ValueError as error:
        raise ValueError(f"{path} is damaged ({error}). Write the report again.") from error
    if not isinstance(data, dict) or "plan" not in data:
        raise ValueError(f"{path} is not a result of sts. Give a folder that 'sts report' wrote.")
    return data


def _flat(plan: dict[str, Any], path: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in plan.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{path}{key}.")
        else:
            yield f"{path}{key}", value


def _settings(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    before, after = dict(_flat(old["plan"])), dict(_flat(new["plan"]))
    return [
        f"setting {key}: {_show(before.get(key))} → {_show(after.get(key))}"
        for key in sorted(before.keys() | after.keys())
        if before.get(key) != after.get(key)
    ]


def _show(value: Any) -> str:
    return "not set" if value is None else json.dumps(value, ensure_ascii=False)


def _data(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    before = {row["name"]: row["sha256"] for row in old.get("sources", [])}
    after = {row["name"]: row["sha256"] for row in new.get("sources", [])}
    groups = {
        "added": sorted(after.keys() - before.keys()),
        "gone": sorted(before.keys() - after.keys()),
        "changed": sorted(name for name in before.keys() & after.keys() if before[name] != after[name]),
    }
    return [
        f"files {word}: {count(len(names), 'file')} ({', '.join(names[:4])}{', ...' if len(names) > 4 else ''})"
        for word, names in groups.items()
        if names
    ]


def _decisions(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    keys = ("time", "sweep", "action", "why")
    before, after = ({tuple(row.get(k) for k in keys) for row in side.get("decisions", [])} for side in (old, new))
    lines = [f"decision added: {row[2]} {row[1]} ({row[3]})" for row in sorted(after - before, key=str)]
    lines += [f"decision gone: {row[2]} {row[1]} ({row[3]})" for row in sorted(before - after, key=str)]
    return lines


def _calibrations(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    def in_force(side: dict[str, Any]) -> dict[str, Any]:
        rows = side.get("calibrations", [])
        return {" of ".join(filter(None, (row["kind"], row.get("session", "")))): row["factor"] for row in rows}

    before, after = in_force(old), in_force(new)
    return [
        f"calibration of {kind}: factor {before.get(kind, 1.0):.6g} → {after.get(kind, 1.0):.6g}"
        for kind in sorted(before.keys() | after.keys())
        if before.get(kind) != after.get(kind)
    ]


def _versions(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    before, after = old.get("versions", {}), new.get("versions", {})
    changed = [name for name in sorted(before.keys() | after.keys()) if before.get(name) != after.get(name)]
    return [f"version of {name}: {before.get(name, 'none')} → {after.get(name, 'none')}" for name in changed]


def _moved(old: dict[str, Any], new: dict[str, Any]) -> Iterator[str]:
    """Lines for the numbers that are not the same, the most important tables first."""
    beside = {name for side in (old, new) for name in side.get("tables_beside", {})}
    before, after = _numbers(old, beside), _numbers(new, beside)
    for name in [*before, *(n for n in after if n not in before)]:
        (x, u, unit), (y, v, _) = before.get(name, (None, None, "")), after.get(name, (None, None, ""))
        if name not in after:
            yield f"{name}: {_value(x, unit)} → no longer there"
        elif name not in before:
            yield f"{name}: new, {_value(y, after[name][2])}"
        elif isinstance(x, (int, float)) and isinstance(y, (int, float)) and not isinstance(x, bool):
            if abs(y - x) > SAME * max(abs(x), abs(y)):
                size = math.hypot(u or 0.0, v or 0.0) / math.sqrt(2)
                against = f", {abs(y - x) / size:.2g} of its standard uncertainty" if size > 0 else ""
                share = f"{100 * (y / x - 1):+.3g} %{against}" if x else f"{y - x:+.3g}{against}"
                yield f"{name}: {_value(x, unit)} → {_value(y, unit)} ({share})"
        elif x != y:
            yield f"{name}: {_value(x, unit)} → {_value(y, unit)}"


def _value(value: Any, unit: str) -> str:
    text = "unknown" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)
    return f"{text} {unit}".strip()


Number = tuple[Any, Any, str]  # value, standard uncertainty, unit


def _numbers(results: dict[str, Any], beside: Collection[str]) -> dict[str, Number]:
    """By name; nothing of the tables that one of the results has beside it."""
    found: dict[str, Number] = {}
    barrier, spectra = results.get("barrier") or {}, results.get("spectra") or {}
    for row in barrier.get("tips", []):
        name = _name("tip", row, ("sample", "tip"))
        found[f"{name}, barrier"] = (row["barrier_eV"], row["barrier_se_eV"], "eV")
        found[f"{name}, lower end of interval"] = (row["barrier_low_eV"], row["barrier_se_eV"], "eV")
        found[f"{name}, upper end of interval"] = (row["barrier_high_eV"], row["barrier_se_eV"], "eV")
        found[f"{name}, sweeps"] = (row["sweeps"], None, "")
    for row in barrier.get("pairs", []):
        name = f"{row['tip_a']} against {row['tip_b']}"
        found[f"{name}, ratio"] = (row["ratio"], None, "")
        found[f"{name}, verdict"] = (row["verdict"], None, "")
    for one in spectra.get("each", []):
        for row in one.get("gaps") or []:
            found[f"{one['label']}, gap by {row['gap_method']}"] = (row["gap_meV"], row["gap_se_meV"], "meV")
        total = one["resolution"].get("total_V")
        found[f"{one['label']}, resolution"] = (total * 1e3 if total is not None else None, None, "meV")
        found[f"{one['label']}, sweeps"] = (one.get("sweep_count", len(one.get("sweeps", ()))), None, "")
    for row in barrier.get("sites", []):
        found[f"{_name('site', row, ('sample', 'tip', 'site'))}, barrier"] = (
            row["barrier_eV"],
            row["barrier_se_eV"],
            "eV",
        )
    for row in [] if "barrier.sweeps" in beside else barrier.get("sweeps", []):
        found[f"sweep {row['sweep']}, barrier"] = (row["barrier_eV"], row["barrier_se_eV"], "eV")
    for row in [] if "sweeps" in beside else results.get("sweeps", []):
        found[f"sweep {row['sweep']}, used"] = ("yes" if row["used"] else "no", None, "")
    return found


def _name(level: str, row: dict[str, Any], keys: tuple[str, ...]) -> str:
    return f"{level} {listed([str(row[k]) for k in keys if row.get(k)], last=',')}".replace(" , ", ", ")
