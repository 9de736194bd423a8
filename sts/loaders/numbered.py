"""Numbered columns of one file: repeats of a sweep, a copy of one, or different things."""

from __future__ import annotations

import numpy as np

from sts.loaders.loaded import Notes, shown
from sts.loaders.runs import Run
from sts.quantities import MAD_SCALE

UNLIKE = 0.15  # share of a curve's own variation that another one, scaled, does not give back
NOISE = 3.0  # and how many times the noise of both that is
GAINS = (0.3, 3.3)  # between repeats; the gap of a junction does not vary more
FEWEST = 16  # points; with fewer it cannot be told
QUIETER = 0.6  # noise of a filtered copy, at most this share of its original's
CLEAR = 5.0  # standard errors by which the variance of a curve must exceed that of its noise
LONGEST_FILTER = 12  # samples to either side
SAME_NOISE = 0.6  # share of a copy's noise that its original's gives back; independent noise gives a fifth by chance


def settle_numbered(runs: list[Run], notes: Notes) -> list[Run]:
    """Sweeps of several columns that only a number tells apart: repeats where they agree, else kept apart.

    Parameters
    ----------
    runs : list of Run
        Of one block. Those that the file calls repeats in words, and stacks of arrays, are left as they are.

    Returns
    -------
    list of Run
        Without filtered copies; those that do not agree have their column's name as ``channel`` and no repeat number.
    """
    groups: dict[tuple[str, str, bytes, bool], list[Run]] = {}
    for run in runs:
        if not (run.told or run.stacked):
            key = (run.label, run.direction, run.axis.tobytes(), run.current is None)
            groups.setdefault(key, []).append(run)
    dropped: set[int] = set()
    for members in groups.values():
        if len({run.signal.number for run in members}) > 1:
            dropped |= _settle(members, notes)
    return [run for run in runs if id(run) not in dropped]


def _settle(members: list[Run], notes: Notes) -> set[int]:
    """Mark the sweeps of one group; the identities of those that are copies."""
    curves = np.concatenate([run.current if run.current is not None else run.lockin for run in members])
    known = np.isfinite(curves).all(axis=0)
    if known.sum() < FEWEST:
        return set()  # too few points to tell
    curves = curves[:, known]
    copies = _copies(curves)
    for copy, original in copies.items():
        notes.add(
            f"{shown(members[copy].signal.label)} is a filtered copy of {shown(members[original].signal.label)}; not used"
        )
    rest = [i for i in range(len(members)) if i not in copies]
    values = [members[i].repeat for i in rest if members[i].repeat == members[i].repeat]
    named = len(values) == len(rest) and max(values) > 2 * len(rest) + 2  # I_77 and I_300: no counting
    agree = [_agree(curves[i], curves[j]) for n, i in enumerate(rest) for j in rest[n + 1 :]]
    if agree and (named or np.mean(agree) < 0.5):
        for i in rest:
            members[i].values["channel"], members[i].repeat = members[i].signal.label, np.nan
        names = ", ".join(shown(members[i].signal.label) for i in rest[:6]) + (", ..." if len(rest) > 6 else "")
        why = "are not numbered one after the other" if named else "differ by more than their noise"
        notes.add(
            f"{names} {why}: not taken for repeats but kept apart. If they are repeats, say "
            "repeat = 1, 2, ... under [[column]] in a recipe"
        )
    return {id(members[i]) for i in copies}


def _fit(a: np.ndarray, b: np.ndarray) -> tuple[float, np.ndarray]:
    """The gain of `b` over `a` (n,) by least squares with an offset, and what is left."""
    deviation = a - a.mean()
    spread = float(deviation @ deviation)
    gain = float(deviation @ (b - b.mean())) / spread if spread > 0 else 0.0
    return gain, b - b.mean() - gain * deviation


def _noise(values: np.ndarray) -> float:
    """Point noise of a curve (n,), from second differences: 6 is the sum of the squares of 1, -2, 1."""
    second = np.diff(values, 2)
    return float(MAD_SCALE * np.median(np.abs(second - np.median(second))) / np.sqrt(6))


def _agree(a: np.ndarray, b: np.ndarray) -> bool:
    """Whether two curves (n,) are one up to a gain as between repeats, an offset and noise."""
    _, left = _fit(a, b)
    if a.std() == 0 or b.std() == 0:
        return bool(a.std() == b.std())
    noise = _noise(a), _noise(b)
    gain = _gain(a, b, *noise)
    if not GAINS[0] < gain < GAINS[1]:
        return False
    return bool(left.std() <= NOISE * np.hypot(noise[1], gain * noise[0]) or left.std() / b.std() < UNLIKE)


def _gain(a: np.ndarray, b: np.ndarray, noise_a: float, noise_b: float) -> float:
    """How large the signal of `b` (n,) is against that of `a`, noise taken off; negative where they run against each other.

    1 where neither stands out of its noise; 0 or infinite where one does.
    """
    variances = np.array([a.var() - noise_a**2, b.var() - noise_b**2])
    least = CLEAR * np.square([noise_a, noise_b]) * np.sqrt(2 / a.size)
    clear = variances > least
    if not clear.any():
        return 1.0
    sizes = np.sqrt(np.maximum(variances, least))
    size = float(sizes[1] / sizes[0])
    if not clear.all():  # one shows nothing: repeats if its noise would hide a signal such as the other's
        return 1.0 if GAINS[0] < size < GAINS[1] else size
    return size if (a - a.mean()) @ (b - b.mean()) > 0 else -size


def _copies(curves: np.ndarray) -> dict[int, int]:
    """Rows that are a filtered copy of another row: quieter, and what noise they have is made of the other's."""
    noise = [_noise(curve) for curve in curves]
    found: dict[int, int] = {}
    for i, a in enumerate(curves):
        for j, b in enumerate(curves):
            if i not in found and noise[j] < QUIETER * noise[i] and _agree(a, b) and _made_of(a, b):
                found.setdefault(j, i)
    return found


def _made_of(a: np.ndarray, b: np.ndarray) -> bool:
    """Whether the point noise of `b` is a running sum of that of `a` (n,).

    Second differences take the curve itself away. Those of a filtered copy are a combination of those of its original
    at neighbouring points; noise of its own is not.
    """
    reach = min(LONGEST_FILTER, a.size // 12)
    left, right = np.diff(a, 2), np.diff(b, 2)[reach : a.size - 2 - reach]
    shifted = np.lib.stride_tricks.sliding_window_view(left, 2 * reach + 1)
    weights = np.linalg.lstsq(shifted, right, rcond=None)[0]
    spread = float(right @ right)
    return spread > 0 and 1 - float(((right - shifted @ weights) ** 2).sum()) / spread > SAME_NOISE
