"""Groups of tips (cut, etched, ...): the tip is the replicate. There is no test over pooled curves."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from sts.comparing.pairs import FEWEST, simultaneous_pairs
from sts.comparing.random_effects import t_quantile
from sts.comparing.sites_and_tips import TIP_COLUMNS, TIP_EXTRAS
from sts.curves.distributions import f_above

GROUP_COLUMNS = (
    "sample", "group", "tips", "barrier_eV", "barrier_low_eV", "barrier_high_eV", "between_tip_sd_percent", "names",
)  # fmt: skip
TEST_COLUMNS = (
    "sample", "test", "group_a", "group_b", "ratio", "ratio_low", "ratio_high", "statistic", "dof", "dof_within", "p",
    "smallest_attainable_p",
)  # fmt: skip

_EXACT_UP_TO = 20_000  # ways of handing out the labels; more are sampled
_SAMPLED = 9_999


@dataclass(frozen=True, eq=False)
class GroupComparison:
    """Groups of tips side by side, what was tested, and what could not be."""

    by: str
    groups: pd.DataFrame  # GROUP_COLUMNS: geometric mean over tips with a t interval
    tests: pd.DataFrame  # TEST_COLUMNS; empty where a group has fewer than three tips
    notes: tuple[str, ...]


def compare_groups(tips: pd.DataFrame, by: str, *, confidence: float = 0.95, seed: int = 0) -> GroupComparison:
    """Compare groups of tips on ln φ, one value a tip.

    Parameters
    ----------
    tips : pandas.DataFrame
        Of `tip_level`, with the column `by` (from a logbook, say).
    by : str
        Column that names a tip's group; tips without an entry are left out and counted in the notes.
    confidence : float
        Level of the intervals; simultaneous for the ratios of the groups.
    seed : int
        For the permutation test where there are too many ways to try them all.

    Returns
    -------
    GroupComparison
        Each sample by itself: the same tip on two samples is not two tips.

    Raises
    ------
    ValueError
        If the column is missing, a result, differs within tips, or names fewer than two groups.

    Notes
    -----
    Welch's test on the tips' ln φ (B. L. Welch, Biometrika 38, 330, 1951; with two groups the square of his t), and
    beside it a permutation of the tips' labels, exact up to 20,000 ways, whose smallest attainable p is printed:
    0.10 for three against three. Ratios of groups with intervals as in `compare_pairs`.
    """
    if by not in tips or by in (*TIP_COLUMNS, *TIP_EXTRAS):
        words = [str(c) for c in tips if c not in (*TIP_COLUMNS, *TIP_EXTRAS)]
        known = f"; there is {', '.join(words)}" if words else ""
        if by == "sample":
            raise ValueError(f"Tips are compared within a sample, so 'sample' makes no groups{known}.")
        if by in tips:
            raise ValueError(f"'{by}' is a result, not a property that groups tips{known}. Add one with the logbook.")
        raise ValueError(f"The tips have no column '{by}' with one value a tip{known}. Add it with the logbook.")
    named = tips[tips[by].notna() & (tips[by].astype(str) != "")]
    usable = named[named["barrier_eV"].to_numpy(float) > 0]
    notes = []
    if len(usable) < len(tips):
        notes.append(f"{len(tips) - len(usable)} of {len(tips)} tips have no entry in '{by}' or no barrier: left out.")
    if usable[by].nunique() < 2:
        raise ValueError(f"'{by}' names {usable[by].nunique()} group of tips; a comparison needs two or more.")
    groups: list[dict[str, Any]] = []
    tests: list[dict[str, Any]] = []
    for sample, rows in usable.groupby("sample", sort=False, dropna=False):
        names = [str(n) for n in dict.fromkeys(rows[by])]
        values = [np.log(rows.loc[rows[by].astype(str) == n, "barrier_eV"].to_numpy(float)) for n in names]
        members = [", ".join(map(str, rows.loc[rows[by].astype(str) == n, "tip"])) for n in names]
        groups += [
            {"sample": sample, "group": n, **_group(v, confidence), "names": m}
            for n, v, m in zip(names, values, members, strict=True)
        ]
        where = f" on {sample!s}" if sample else ""
        few = [f"{n} ({len(v)})" for n, v in zip(names, values, strict=True) if len(v) < FEWEST]
        if few:
            notes.append(
                f"No test{where}: too few tips in {', '.join(few)}; a test needs {FEWEST} tips in every group, "
                "and sweeps or sites do not stand in for tips."
            )
        elif len(names) > 1:
            tests += [{"sample": sample, **row} for row in _tests(names, values, confidence, seed)]
            smallest = smallest_attainable_p([len(v) for v in values])
            if smallest > 1 - confidence:
                notes.append(
                    f"With {' and '.join(str(len(v)) for v in values)} tips{where} a permutation test cannot give "
                    f"less than p = {smallest:.2g}, however large the difference."
                )
    return GroupComparison(
        by, pd.DataFrame(groups, columns=list(GROUP_COLUMNS)), pd.DataFrame(tests, columns=list(TEST_COLUMNS)),
        tuple(notes),
    )  # fmt: skip


def welch_anova(groups: list[np.ndarray]) -> tuple[float, float, float, float]:
    """Welch's F, its two degrees of freedom and p for means of groups with unequal variances.

    Parameters
    ----------
    groups : list of ndarray
        Values of each group, two or more.

    Notes
    -----
    B. L. Welch, Biometrika 38, 330 (1951).
    """
    n = np.array([len(g) for g in groups], float)
    mean = np.array([g.mean() for g in groups])
    weight = n / np.array([g.var(ddof=1) for g in groups])
    k, total = len(groups), weight.sum()
    spread = np.sum(weight * (mean - np.sum(weight * mean) / total) ** 2) / (k - 1)
    lack = np.sum((1 - weight / total) ** 2 / (n - 1))
    f = spread / (1 + 2 * (k - 2) * lack / (k**2 - 1))
    dof_within = (k**2 - 1) / (3 * lack)
    return float(f), float(k - 1), float(dof_within), float(f_above(f, k - 1, dof_within))


def permutation_p(groups: list[np.ndarray], *, seed: int = 0) -> float:
    """Chance of group means at least this far apart (sum of squares between groups) if the labels meant nothing.

    Parameters
    ----------
    groups : list of ndarray
        Values of each group.
    seed : int
        For the draws where there are more than 20,000 ways.

    Raises
    ------
    ValueError
        If there is one group only, or a group has fewer than two values.
    """

    def between(*samples: np.ndarray, axis: int = -1) -> Any:
        # The grand mean stays the same under relabelling: sum of n mean^2 orders as the sum of squares does.
        return sum(s.shape[axis] * np.mean(s, axis=axis) ** 2 for s in samples)

    centre = np.concatenate(groups).mean()  # keeps digits
    exact = _ways([len(g) for g in groups]) <= _EXACT_UP_TO
    from scipy import stats  # slow to import, and wanted only here

    result = stats.permutation_test(
        [g - centre for g in groups],
        between,
        vectorized=True,
        alternative="greater",
        n_resamples=_EXACT_UP_TO if exact else _SAMPLED,  # at least the number of ways: exact
        rng=np.random.default_rng(seed),
    )
    return float(result.pvalue)


def smallest_attainable_p(sizes: list[int]) -> float:
    """The smallest p that a permutation of the labels can give.

    Parameters
    ----------
    sizes : list of int
        Sizes of the groups.

    Notes
    -----
    Groups of equal size can swap names without changing how far apart the means are: 2/20 for three against three,
    1/35 for three against four.
    """
    swaps = math.prod(math.factorial(m) for m in Counter(sizes).values())
    return swaps / _ways(sizes)


def _ways(sizes: list[int]) -> int:
    return math.factorial(sum(sizes)) // math.prod(math.factorial(n) for n in sizes)


def _group(values: np.ndarray, confidence: float) -> dict[str, Any]:
    n = len(values)
    sd = float(values.std(ddof=1)) if n > 1 else math.nan
    half = float(t_quantile(n - 1, confidence)) * sd / math.sqrt(n) if n > 1 else math.nan
    return {
        "tips": n,
        "barrier_eV": float(np.exp(values.mean())),
        "barrier_low_eV": float(np.exp(values.mean() - half)),
        "barrier_high_eV": float(np.exp(values.mean() + half)),
        "between_tip_sd_percent": 100 * sd,
    }


def _tests(names: list[str], values: list[np.ndarray], confidence: float, seed: int) -> list[dict[str, Any]]:
    n = np.array([len(v) for v in values])
    pairs = simultaneous_pairs(
        [v.mean() for v in values], [v.std(ddof=1) / math.sqrt(len(v)) for v in values], n - 1, confidence=confidence
    )
    rows: list[dict[str, Any]] = []
    for a, b, difference, se, dof, quantile, p in pairs.itertuples(index=False, name=None):
        rows.append(
            {
                "test": "ratio (Welch t, adjusted for the number of pairs)",
                "group_a": names[int(a)],
                "group_b": names[int(b)],
                "ratio": math.exp(difference),
                "ratio_low": math.exp(difference - quantile * se),
                "ratio_high": math.exp(difference + quantile * se),
                "statistic": difference / se if se > 0 else math.nan,
                "dof": 1.0,
                "dof_within": dof,
                "p": p,
                "smallest_attainable_p": math.nan,
            }
        )
    if len(names) > 2:
        f, dof, dof_within, p = welch_anova(values)
        rows.append({"test": "any difference (Welch F)", "statistic": f, "dof": dof, "dof_within": dof_within, "p": p})
    rows.append(
        {
            "test": "any difference (permutation of the tips' labels)",
            "p": permutation_p(values, seed=seed),
            "smallest_attainable_p": smallest_attainable_p([int(m) for m in n]),
        }
    )
    return rows
