"""Every I(V) sweep judged: limits, jumps, distance from the others, set-point. Every reason is listed."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.curves.averaging import comparison_groups
from sts.curves.dead_channel import dead_rows, stuck
from sts.curves.distributions import kendall_p
from sts.curves.electronics import find_saturation, find_step, noise_level
from sts.curves.replicates import direction_signs, repeat_codes
from sts.curves.robust import scaled_mad
from sts.flags import flag_rows, join_flags
from sts.plan import CheckPlan
from sts.quantities import range_with_prefix, with_prefix
from sts.spectra.faults.jump_rows import FEWEST, Seen, jumps_of_group
from sts.spectra.faults.jumps import Comparison, compare_with_median
from sts.spectra.faults.ripple import find_ripple, ripple_rows
from sts.sweeps import SweepSet

Array = NDArray[np.float64]

_SCATTER_FLOOR = 0.02  # of ln I: less than 1 pm of gap never makes an outlier
_BORROWED_FLOOR = 0.15  # the same where other sites had to be borrowed: sites differ, and that is no fault
_SHAPE_FLOOR = 0.25  # of the logarithm of the scatter about a sweep's own level
_SHAPE_SIGMAS = 2.0  # a shape differs only if it does by more than the noise and 1 % of the current allow
_STEP_SIGMAS = 5.0
_LEVEL = 0.05  # a lock-in channel that varies by less than this of its largest value is at no limit
_NOISY = 5.0  # times the noise of its group
_MOST_LEVELS = 2000  # in which a trend is looked for
_FEWEST_CLEAR = 6  # points where the median is clear of the noise


def judge_iv(sweeps: SweepSet, plan: CheckPlan | None = None) -> pd.DataFrame:
    """Judge every sweep of a set of I(V) sweeps.

    Parameters
    ----------
    sweeps : SweepSet
        Any mixture of samples, tips and set-points: sweeps are compared with those of the same sample, tip, site,
        set-point and direction; where these are fewer than 5, with all sites of the tip, then with both directions.
    plan : CheckPlan, optional

    Returns
    -------
    pandas.DataFrame
        ``sweep, flag, detail, times_limit`` and where in the sweep it sits, one row per reason.

    Raises
    ------
    ValueError
        If the set is not of kind ``"iv"``.

    Examples
    --------
    >>> from dataclasses import replace
    >>> import sts
    >>> sweeps = sts.simulate_iv(density="flat", bias=(-0.5, 0.5, 101), sweeps=5, temperature_K=4.2).sweeps
    >>> current = sweeps.current.copy()
    >>> current[3, 70:] *= 2  # the tip changes within the fourth sweep
    >>> flags = sts.judge_iv(replace(sweeps, current=current))
    >>> set(flags.loc[flags["flag"] == "jump", "sweep"]) == {sweeps.names[3]}
    True
    """
    plan = plan or CheckPlan()
    if sweeps.kind != "iv":
        raise ValueError(f"judge_iv judges I(V) sweeps; these are '{sweeps.kind}'.")
    signal = sweeps.signal
    names = sweeps.names
    full_scale = sweeps.table["full_scale_A"].to_numpy(float) if sweeps.has_current else None
    step = find_step(signal)
    railed = find_saturation(signal, full_scale=full_scale, step=step)
    ripple = find_ripple(sweeps, railed)
    calm = signal - ripple.line  # what else is judged is judged without its ripple
    noise = noise_level(calm)
    if not sweeps.has_current:  # a level dI/dV is near its extreme throughout
        reach = np.fmax.reduce(signal, axis=1) - np.fmin.reduce(signal, axis=1)
        railed &= (reach > _LEVEL * np.fmax.reduce(np.abs(signal), axis=1))[:, None]
    railed = railed & ~stuck(signal, full_scale)[:, None]  # a number that never changes is no limit that was reached
    left = (np.isfinite(signal) & ~railed).sum(axis=1)
    at_limit = np.logical_or.reduce(railed, axis=1)
    extent = _extent(sweeps.axis, railed)
    clean = np.where(railed, np.nan, calm)
    parts = [
        ripple_rows(sweeps, ripple),
        flag_rows(names, at_limit, "saturated", extent),
        flag_rows(names, at_limit & (left == 0), "all saturated", "every sample is at the limit"),
        flag_rows(
            names,
            left < plan.fewest_points,
            "too few points",
            lambda i: f"{left[i]} usable samples, {plan.fewest_points} are needed",
            times_limit=plan.fewest_points / np.maximum(left, 1),
        ),
    ]
    if sweeps.has_current:
        parts += [
            flag_rows(
                names,
                step > noise,
                "coarse steps",
                lambda i: f"steps of {with_prefix(step[i] * 1e12, 'pA')}, noise {with_prefix(noise[i] * 1e12, 'pA')}",
                times_limit=step / np.maximum(noise, 1e-300),
                place=(np.nan, np.nan, step),
            ),
            _set_point(sweeps, clean, plan.setpoint_tolerance),
            _return(sweeps, clean, noise, plan.setpoint_tolerance),
        ]
    usable = left >= plan.fewest_points
    seen = Seen(sweeps.axis, calm, clean, noise, ripple.amplitude, sweeps.has_current, step)
    for members, reference in comparison_groups(sweeps):
        members = members[usable[members]]
        reference = reference[usable[reference]]
        if members.size:
            parts.append(_judge_group(sweeps, seen, members, reference, plan))
    return join_flags(parts)


def _judge_group(
    sweeps: SweepSet, seen: Seen, members: NDArray[np.int64], reference: NDArray[np.int64], plan: CheckPlan
) -> pd.DataFrame:
    names = [sweeps.names[i] for i in members]
    inside = np.isin(reference, members)
    quiet = _median(seen.noise[reference])
    comparison = compare_with_median(sweeps.axis, seen.clean[reference], quiet) if reference.size >= FEWEST else None
    if comparison is not None and comparison.axis.size < _FEWEST_CLEAR:
        comparison = None
    jumps, jumped = jumps_of_group(names, seen, members, reference, comparison, plan.jump_factor)
    parts = [_noisy(names, seen, members, reference), jumps]
    if sweeps.has_current:  # what jumps is not dead, whatever lies below the jump
        dead = dead_rows(names, seen.clean[members], seen.clean[reference])
        parts.insert(0, dead[~dead["sweep"].isin(jumps["sweep"])])
    if comparison is None:
        return join_flags(parts)
    level = comparison.level
    floor = _SCATTER_FLOOR if members.size == reference.size else _BORROWED_FLOOR
    distance, shape = _distances(comparison, level, floor, seen.noise[reference])
    far = np.fmax(distance, shape) > plan.outlier_cut
    times = np.fmax(distance, shape)[inside] / plan.outlier_cut
    own = [values[inside] for values in (level, distance, shape)]

    def detail(i: int) -> str:
        by_level, far_off, otherwise = (values[i] for values in own)
        if far_off >= otherwise:
            return f"{np.exp(by_level):.3g} times the median of its group, {far_off:.1f} scaled MAD"
        return f"shape differs from the median of its group, {otherwise:.1f} scaled MAD"

    parts.append(flag_rows(names, far[inside], "outlier", detail, times_limit=times))
    steady = inside & ~far
    steady[inside] &= ~jumped
    parts.append(_level_step([sweeps.names[i] for i in reference[steady]], level[steady], plan.jump_factor))
    return join_flags(parts)


def _noisy(names: list[str], seen: Seen, members: NDArray[np.int64], reference: NDArray[np.int64]) -> pd.DataFrame:
    """Sweeps whose noise from sample to sample is many times that of their group, and not because all of their signal is."""
    usual = _median(seen.noise[reference])
    if reference.size < FEWEST or not usual > 0:
        return join_flags([])
    largest = np.fmax.reduce(np.abs(seen.clean[reference]), axis=1)
    size = np.fmax.reduce(np.abs(seen.clean[members]), axis=1) / _median(largest)
    times = seen.noise[members] / usual
    with np.errstate(invalid="ignore", divide="ignore"):
        mask = np.fmin(times, times / size) > _NOISY
    return flag_rows(
        names, mask, "noisy", lambda i: f"the noise from sample to sample is {times[i]:.3g} times that of its group",
        times_limit=times / _NOISY,
    )  # fmt: skip


def _median(values: Array) -> float:
    """Of what is known; NaN if nothing is."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


def _distances(comparison: Comparison, level: Array, floor: float, noise: Array) -> tuple[Array, Array]:
    """Robust distances of every sweep from its group, in level and in shape, shape (m,) each."""
    wide = small_sample_factor(len(level))
    scatter = max(float(scaled_mad(level)) * wide, floor)
    distance = np.abs(level - np.median(level)) / scatter
    residue = (comparison.current / comparison.median - np.exp(level)[:, None]) / np.exp(level)[:, None]
    # its own noise, and what is 1 % of the current: a noisy sweep has no other shape
    expected = np.hypot(np.nan_to_num(noise)[:, None] / np.exp(level)[:, None] / np.abs(comparison.median), 0.01)
    own = scaled_mad(residue / expected, axis=1) + 1e-3
    logs = np.log(own)
    shape = (logs - np.median(logs)) / max(float(scaled_mad(logs)) * wide, _SHAPE_FLOOR)
    return distance, np.where(own > _SHAPE_SIGMAS, shape, 0.0)


def small_sample_factor(count: int) -> float:
    """How much further than 3 scaled MAD one must go to keep 0.3 % of normal values, for samples of `count`.

    Simulated with 200,000 samples each; 1 + 6/n + 35/n², n lowered by 1.3 for odd counts (whose median has distance 0
    from itself), returns these quantiles within 15 % from 4 values on.

    Parameters
    ----------
    count : int
        Sweeps.
    """
    effective = count - 1.3 * (count % 2)
    return 1 + 6 / effective + 35 / effective**2


def _level_step(names: list[str], level: Array, factor: float) -> pd.DataFrame:
    """The sweep before which the level of the sweeps stepped, in their order: the tip changed between sweeps."""
    count = level.size
    if count < 8:
        return join_flags([])
    split = np.arange(2, count - 1)
    total = np.cumsum(level)
    change = (total[-1] - total[split - 1]) / (count - split) - total[split - 1] / split
    scatter = max(float(scaled_mad(np.diff(level))) / np.sqrt(2), 1e-3)
    error = scatter * np.sqrt(1 / split + 1 / (count - split))
    score = np.abs(change) / error
    best = int(np.argmax(score))
    stepped = score[best] > _STEP_SIGMAS and abs(change[best]) > np.log(factor)
    mask = np.arange(count) == split[best]
    detail = f"the sweeps from here on are {np.exp(change[best]):.3g} times those before"
    times = np.full(count, abs(change[best]) / np.log(factor))
    return flag_rows(names, mask & stepped, "tip change", detail, times_limit=times)


def level_trend(level: Array) -> tuple[float, float]:
    """Change of ln I per sweep (Theil-Sen) and the p-value of Kendall's test, for levels in the order of the sweeps.

    Parameters
    ----------
    level : numpy.ndarray, shape (m,)
        Logarithm of the level of each sweep, in order.

    Notes
    -----
    Both look at all pairs. Of more than `_MOST_LEVELS` sweeps means of as many neighbours are taken, whose pairs can be held.
    """
    if level.size < 5:
        return float("nan"), float("nan")
    run = -(-level.size // _MOST_LEVELS)
    level = level[: level.size // run * run].reshape(-1, run).mean(axis=1)
    earlier, later = np.triu_indices(level.size, 1)
    return float(np.median((level[later] - level[earlier]) / (later - earlier))) / run, kendall_p(level)


def _set_point(sweeps: SweepSet, clean: Array, tolerance: float) -> pd.DataFrame:
    """Current at the set-point bias against the set-point current."""
    wanted = np.abs(sweeps.table["setpoint_current_A"].to_numpy(float))
    bias = sweeps.table["setpoint_bias_V"].to_numpy(float)
    slack = 0.6 * float(np.median(np.diff(sweeps.axis)))
    inside = (bias >= sweeps.axis[0] - slack) & (bias <= sweeps.axis[-1] + slack) & (wanted > 0)
    nearest = np.argmin(np.abs(sweeps.axis[None, :] - np.where(inside, bias, 0.0)[:, None]), axis=1)
    there = np.abs(np.take_along_axis(clean, nearest[:, None], axis=1)[:, 0])
    with np.errstate(invalid="ignore", divide="ignore"):
        off = np.log(there / wanted)
        bad = inside & (np.abs(off) > np.log1p(tolerance))

    def details(i: int) -> str:
        found, set_to = (with_prefix(values[i] * 1e12, "pA", 4) for values in (there, wanted))
        return f"{found} at the set-point bias, {set_to} was set"

    at = sweeps.axis[nearest]
    times = np.abs(off) / np.log1p(tolerance)
    return flag_rows(sweeps.names, bad, "set-point", details, times_limit=times, place=(at, at, np.nan))


def _return(sweeps: SweepSet, clean: Array, noise: Array, tolerance: float) -> pd.DataFrame:
    """Up and down of one repeat at the bias where the first began: the current must come back."""
    signs, repeats = direction_signs(sweeps.table, sweeps.kind), repeat_codes(sweeps.table, sweeps.kind)
    count = int(repeats.max()) + 1
    row = np.full((count, 2), -1)
    row[repeats[signs == 1], 0] = np.flatnonzero(signs == 1)
    row[repeats[signs == -1], 1] = np.flatnonzero(signs == -1)
    pairs = row[(row >= 0).all(axis=1)]
    if not pairs.size:
        return join_flags([])
    ends = clean[:, [0, 1, 2]].mean(axis=1)
    up, down = ends[pairs[:, 0]], ends[pairs[:, 1]]
    error = 5 * np.hypot(noise[pairs[:, 0]], noise[pairs[:, 1]])
    with np.errstate(invalid="ignore", divide="ignore"):
        off = (
            (np.abs(np.log(np.abs(down / up))) > np.log1p(tolerance))
            & (np.abs(down - up) > error)
            & (np.abs(up) > error)
        )
    mask = np.zeros(len(sweeps), bool)
    mask[pairs[off, 1]] = True
    details = [""] * len(sweeps)
    for (_, second), a, b in zip(pairs[off], up[off], down[off], strict=True):
        details[second] = (
            f"{with_prefix(a * 1e12, 'pA', 4)} at the start of the sweep up, "
            f"{with_prefix(b * 1e12, 'pA', 4)} at the end of the sweep down"
        )
    return flag_rows(sweeps.names, mask, "no return", details, place=(*sweeps.axis[[0, 2]], np.nan))


def _extent(axis: Array, railed: NDArray[np.bool_]) -> list[str]:
    """How many samples are railed, and where, in words, one text a sweep."""
    texts = [""] * len(railed)
    for i in np.flatnonzero(railed.any(axis=1)).tolist():
        where = axis[railed[i]]
        texts[i] = f"{where.size} samples, {range_with_prefix(where[0] * 1e3, where[-1] * 1e3, 'mV', 4)}"
    return texts
