"""Results kept as text, so that no number changes unnoticed.

What is kept is what the code said when it was kept: it proves nothing about being right (the other tests do that), and
it covers what no outside value reaches, rules and thresholds above all. A change that is meant is kept anew with
``python scripts/test.py --renew``, and its diff is read before it is committed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
RELATIVE = 5e-4  # between machines, which differ by up to 2e-4 in fits that are iterated
SAMPLES = 3


def compare(path: Path, lines: Iterable[str], *, renew: bool) -> None:
    """Compare lines with those kept at `path`: words must be equal, numbers within 5e-4."""
    found = list(lines)
    if renew:
        path.parent.mkdir(exist_ok=True)
        path.write_text("\n".join(found) + "\n", encoding="utf-8", newline="\n")
    assert path.exists(), f"nothing is kept in {path.name}; keep it with 'python scripts/test.py --renew'"
    kept = path.read_text(encoding="utf-8").splitlines()
    changed = [
        f"  was: {was}\n  now: {now}"
        for was, now in zip(kept, found, strict=False)
        if was != now and not _same(was, now)
    ]
    if len(kept) != len(found):
        changed.append(f"  {len(kept)} lines were kept, now there are {len(found)}")
    assert not changed, f"{len(changed)} results are not what was kept in {path.name}:\n" + "\n".join(changed[:5])


def _same(was: str, now: str) -> bool:
    if NUMBER.sub("#", was) != NUMBER.sub("#", now):
        return False
    # Arrays stand in brackets, every second part; there, rounding is measured by the largest of them.
    for place, parts in enumerate(zip(*(re.split(r"[\[\]]", line) for line in (was, now)), strict=True)):
        old, new = (np.array([float(n) for n in NUMBER.findall(part)]) for part in parts)
        smallest = 1e-5 * np.abs(old).max(initial=0.0) if place % 2 else 0.0
        if np.any(np.abs(new - old) > RELATIVE * np.abs(old) + smallest):
            return False
    return True


def line(case: str, **values: Any) -> list[str]:
    """One line for each value of a case: number, array, text, table or mapping."""
    return [f"{case}; {name}: {text}" for name, value in values.items() for text in _texts(value)]


def _texts(value: Any) -> list[str]:
    if isinstance(value, pd.DataFrame):
        value = value.drop(columns="times_limit", errors="ignore")  # of flags: tested beside the rules
        return [", ".join(f"{k} {_text(v)}" for k, v in row.items()) for row in value.to_dict("records")] or ["no rows"]
    if isinstance(value, Mapping):
        return [", ".join(f"{k} {_text(v)}" for k, v in value.items())]
    return [_text(value)]


def _text(value: Any) -> str:
    if isinstance(value, str | bool | int | np.bool_ | np.integer) or value is None:
        return str(value)
    array = np.asarray(value, float)
    if not array.ndim:
        return f"{float(array):.6g}"
    flat, finite = array.ravel(), array[np.isfinite(array)]
    some = flat[np.unique(np.linspace(0, flat.size - 1, SAMPLES).astype(int))] if flat.size else flat
    whole = [finite.mean(), np.sqrt(np.mean(finite**2))] if finite.size else []
    return f"{finite.size} of {array.shape} [" + " ".join(f"{v:.6g}" for v in [*whole, *some]) + "]"
