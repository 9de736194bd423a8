"""Pairs of tips: ratio and difference of their barriers, with intervals that hold for all pairs together."""

from __future__ import annotations

from functools import lru_cache, partial
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize, special

from sts.curves.distributions import chi2_quantile, student_quantile

PAIR_COLUMNS = (
    "tip_a", "tip_b", "ratio", "ratio_low", "ratio_high", "difference_eV", "difference_low_eV",
    "difference_high_eV", "p_adjusted", "verdict",
)  # fmt: skip
PAIR_EXTRAS = ("sample", "sites_a", "sites_b", "dof", "difference_calibration_se_eV")
FEWEST = 3  # replicates of each side, below which there is an interval but no test

_PRIOR_DOF = (
    0.5  # more is too many false alarms at nine times the variance, less is less power (scripts/studies/pairs.py)
)
_MANY = 1e9  # degrees of freedom that are as good as infinite

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(200)
# Probability = u^6 crowds the nodes where the scatter happens to be small: small p values come from there.
_PROBABILITY, _WEIGHTS = ((_NODES + 1) / 2) ** 6, 3 * ((_NODES + 1) / 2) ** 5 * _WEIGHTS


def compare_pairs(tips: pd.DataFrame, *, confidence: float = 0.95, scales: np.ndarray | None = None) -> pd.DataFrame:
    """Compare every two tips that were used on the same sample.

    Parameters
    ----------
    tips : pandas.DataFrame
        Of `tip_level`.
    confidence : float
        Simultaneous level: the chance that *all* intervals of a sample hold the truth.
    scales : numpy.ndarray, shape (tips, scales), optional
        Of `sts.comparing.scales.scale_parts`, where tips were measured on several height scales: these do not cancel from ratios.

    Returns
    -------
    pandas.DataFrame
        `PAIR_COLUMNS`, then `PAIR_EXTRAS`. `ratio` is φ_a/φ_b; the verdict and `p_adjusted` are those of the ratio,
        from which the height scale cancels. `difference_calibration_se_eV` is what the height scale adds to the
        difference; it is not in the interval of the difference.

    Raises
    ------
    KeyError
        If `tips` lacks a column.

    Notes
    -----
    The logarithm of the ratio of slopes is divided by its standard uncertainty, with degrees of freedom by
    `unequal_dof`, so that tips may differ in the number and the scatter of their sites. Interval and p value come
    from the studentized maximum modulus for k(k - 1)/2 pairs of k tips: C. W. Dunnett, J. Am. Stat. Assoc. 75, 796
    (1980), procedure T3. Studied in scripts/studies/tips.py and pairs.py.
    """
    rows: list[dict[str, Any]] = []
    parts = np.zeros((len(tips), 0)) if scales is None else scales
    for _, of_sample in tips.reset_index(drop=True).groupby("sample", sort=False, dropna=False):
        rows += _pairs_of_sample(of_sample.reset_index(drop=True), parts[of_sample.index], confidence)
    return pd.DataFrame(rows, columns=[*PAIR_COLUMNS, *PAIR_EXTRAS])


def _pairs_of_sample(tips: pd.DataFrame, scales: np.ndarray, confidence: float) -> list[dict[str, Any]]:
    slope, se = tips["decay_per_nm"].to_numpy(float), tips["decay_se_per_nm"].to_numpy(float)
    sites, calibration = tips["sites"].to_numpy(), tips["calibration_se_eV"].to_numpy(float)
    days = tips["days"].to_numpy() if "days" in tips else np.ones(len(tips))
    units = np.where(
        days > 1, tips["dof"].to_numpy(float) + 1, sites
    )  # days are the replicates where there are several
    barrier, barrier_se = tips["barrier_eV"].to_numpy(float), tips["barrier_se_eV"].to_numpy(float)
    with np.errstate(invalid="ignore", divide="ignore"):
        shared = tips["decay_common_per_nm"].to_numpy(float) / slope if "decay_common_per_nm" in tips else 0.0 * slope
        value = np.where(slope > 0, np.log(slope), np.nan)
        about = (value, se / slope, tips["dof"].to_numpy(float))
        together = float(tips["scatter_dof"].max()) if "scatter_dof" in tips else np.inf
        differences = partial(simultaneous_pairs, *about, replicates=units, together=together, confidence=confidence)
        pairs = differences(shared=np.column_stack([shared, scales]))
        moved = np.nan_to_num(2 * barrier * shared)  # barriers, by one standard uncertainty of what they share
    own_se = np.sqrt(np.maximum(barrier_se**2 - moved**2, 0.0))
    apart = pairs
    if moved.any() or scales.any():  # the own parts alone, as in `simultaneous_pairs`: what is shared narrows nothing
        apart = differences()
    wider = np.maximum(*(one["quantile"].to_numpy(float) for one in (pairs, apart)))
    rows = []
    for (a, b, log_ratio, log_se, dof, quantile, p), widest in zip(
        pairs.itertuples(index=False, name=None), wider, strict=True
    ):
        half = quantile * log_se
        difference = barrier[a] - barrier[b]
        difference_half = widest * np.hypot(np.hypot(own_se[a], own_se[b]), moved[a] - moved[b])
        enough = min(units[a], units[b]) >= FEWEST and np.isfinite(p)
        few = "too few days" if max(days[a], days[b]) > 1 else "too few sites"
        differ = "differ" if p < 1 - confidence else "no difference shown"
        rows.append(
            {
                "tip_a": tips["tip"][a],
                "tip_b": tips["tip"][b],
                "ratio": np.exp(2 * log_ratio),
                "ratio_low": np.exp(2 * (log_ratio - half)),
                "ratio_high": np.exp(2 * (log_ratio + half)),
                "difference_eV": difference,
                "difference_low_eV": difference - difference_half,
                "difference_high_eV": difference + difference_half,
                "p_adjusted": p if enough else np.nan,
                "verdict": differ if enough else few,
                "sample": tips["sample"][a],
                "sites_a": sites[a],
                "sites_b": sites[b],
                "dof": dof,
                # Both barriers move with the height scale together: it scales their difference.
                "difference_calibration_se_eV": 2
                * float(np.linalg.norm(barrier[a] * scales[a] - barrier[b] * scales[b]))
                if scales.shape[1]
                else abs(calibration[a] - calibration[b]),
            }
        )
    return rows


def simultaneous_pairs(
    value: Any, se: Any, dof: Any, *, replicates: Any = None, shared: Any = 0.0, together: float = np.inf,
    confidence: float = 0.95,
) -> pd.DataFrame:  # fmt: skip
    """Differences of every two of k independent values with unequal uncertainties, adjusted for their number.

    Parameters
    ----------
    value, se, dof : array_like, shape (k,)
        Values, standard uncertainties and degrees of freedom; those with a NaN are left out of the count of pairs.
    replicates : array_like, shape (k,), optional
        How many each value is the mean of: degrees of freedom of a difference by `unequal_dof`. By Welch and
        Satterthwaite if not given.
    shared : array_like, shape (k,) or (k, s)
        By how much one standard uncertainty of something common (of s such things) moves each value: in a difference only its
        difference counts.
    together : float
        Degrees of freedom that all scatter has together, where the uncertainties were made of each other's
        (`pool_scatter`): no difference has more.
    confidence : float
        Level of the intervals together.

    Returns
    -------
    pandas.DataFrame
        `a`, `b` (positions), `difference` (a - b), `se`, `dof`, `quantile` (the simultaneous interval is
        difference ± quantile × se) and `p_adjusted`.
    """
    value, se, dof = (np.asarray(x, float) for x in (value, se, dof))
    a, b = np.triu_indices(len(value), 1)
    k = int(np.sum(np.isfinite(value) & np.isfinite(se) & ~np.isnan(dof)))
    family = max(k * (k - 1) // 2, 1)
    own = np.hypot(se[a], se[b])
    several = np.asarray(shared, float)
    several = several if several.ndim == 2 else np.broadcast_to(several, value.shape)[:, None]
    difference, total = value[a] - value[b], np.hypot(own, np.linalg.norm(several[a] - several[b], axis=1))
    with np.errstate(invalid="ignore", divide="ignore"):
        if replicates is None:
            estimated = se[a] ** 4 / dof[a] + se[b] ** 4 / dof[b]
        else:
            z = maximum_modulus_quantile(confidence, family, np.inf)
            each = [np.stack([x[a], x[b]]) for x in (se**2, dof, np.asarray(replicates, float))]
            estimated = own**4 / np.minimum(unequal_dof(each[0], each[1], each[2], z), together)
        # With what is shared, and the own parts alone: what is shared narrows nothing (`half_interval`).
        ways = [(scale, scale**4 / estimated) for scale in (total, own)]
        half = np.array(
            [[maximum_modulus_quantile(confidence, family, nu) for nu in nus] * scale for scale, nus in ways]
        )
        p = np.array([maximum_modulus_sf(np.abs(difference) / scale, family, nus) for scale, nus in ways])
    return pd.DataFrame(
        {
            "a": a,
            "b": b,
            "difference": difference,
            "se": total,
            "dof": ways[0][1],
            "quantile": half.max(axis=0) / total,
            "p_adjusted": p.max(axis=0),
        }
    )


def unequal_dof(variance: np.ndarray, dof: np.ndarray, replicates: np.ndarray, z: Any) -> np.ndarray:
    """Degrees of freedom of the difference of two means whose variances are estimated and need not be equal.

    Parameters
    ----------
    variance : ndarray, shape (2, ...)
        Squared standard uncertainties of the means.
    dof, replicates : ndarray, shape (2, ...)
        Degrees of freedom of the variances, and how many values each mean is of.
    z : float or array_like, shape (...)
        Quantile of the normal distribution at the level of the test, for which the correction is exact.

    Notes
    -----
    With shares w of the variance of the difference, Welch and Satterthwaite take 1/ν = S = Σ w²/f. For few degrees of
    freedom that is too many where the mean of the fewest values has most of the variance (3 against 8 values: 7 % false
    alarms at 5 %) and too few where shares are equal (3 against 3: 3.5 %). To the next order of the series by B. L. Welch,
    Biometrika 34, 28 (1947), and A. A. Aspin, Biometrika 35, 88 (1948), rewritten as degrees of freedom of Student's t,

        1/ν = S + A (Σ w³/f² - S²) - 2 (Σ w²/f² - S²),   A = 4 (3 + 5 z² + z⁴) / (3 (1 + z²)),

    and no fewer than the smaller f and no more than both. For the shares only, the variance of one replicate is moderated
    toward the pooled one by `_PRIOR_DOF`, as G. K. Smyth, Stat. Appl. Genet. Mol. Biol. 3, 3 (2004) does for a whole
    test: a share that came out small by chance is not believed. False alarms 3.2 to 6.0 % for 3 to 12 values on each
    side and variances of replicates in ratios of 1/9 to 9 (scripts/studies/pairs.py).
    """
    f = np.minimum(dof, _MANY)
    one = variance * replicates
    pooled = (f * one).sum(axis=0) / f.sum(axis=0)
    moderated = (f * one + _PRIOR_DOF * pooled) / (f + _PRIOR_DOF) / replicates
    w = moderated / moderated.sum(axis=0)
    s = (w**2 / f).sum(axis=0)
    a = 4 / 3 * (3 + 5 * z**2 + z**4) / (1 + z**2)
    inverse = s + a * ((w**3 / f**2).sum(axis=0) - s**2) - 2 * ((w**2 / f**2).sum(axis=0) - s**2)
    most = f.sum(axis=0)
    nu = np.clip(1 / np.maximum(inverse, 1 / most), f.min(axis=0), most)
    return np.asarray(np.where(nu >= _MANY, np.inf, nu))


def maximum_modulus_sf(statistic: Any, comparisons: int, dof: Any) -> np.ndarray:
    """Chance that the largest of `comparisons` independent |t| with a common estimate of scatter exceeds `statistic`.

    Parameters
    ----------
    statistic, dof : array_like, any shape
        Degrees of freedom of the estimate; NaN gives NaN.
    comparisons : int

    Notes
    -----
    1 - E[(2Φ(t s) - 1)^k] over s² ~ χ²_ν/ν, by Gauss-Legendre quadrature over the probability of s²: the studentized
    maximum modulus. One comparison gives Student's t.
    """
    statistic, dof = np.broadcast_arrays(np.asarray(statistic, float), np.asarray(dof, float))
    usable = np.isfinite(statistic) & (dof > 0)
    outside = _outside(np.where(usable, statistic, 0.0), comparisons, _scatter_nodes(np.where(usable, dof, 1.0)))
    return np.where(usable, outside, np.nan)


def _scatter_nodes(dof: np.ndarray) -> np.ndarray:
    """s at the quadrature's probabilities, shape (..., nodes)."""
    nu = np.where(np.isfinite(dof), dof, 1.0)[..., None]
    return np.where(np.isinf(dof)[..., None], 1.0, np.sqrt(chi2_quantile(_PROBABILITY, nu) / nu))


def _outside(statistic: Any, comparisons: int, s: np.ndarray) -> np.ndarray:
    one = special.erfc(np.asarray(statistic)[..., None] * s / np.sqrt(2))  # 2 - 2Φ
    with np.errstate(divide="ignore"):
        outside = -np.expm1(comparisons * np.log1p(-one))  # 1 - (1 - one)^k without loss of digits
    return np.asarray((outside * _WEIGHTS).sum(axis=-1))


@lru_cache(maxsize=1 << 14)  # a decision touches one tip; the pairs of all others ask for the same again
def maximum_modulus_quantile(confidence: float, comparisons: int, dof: float) -> float:
    """The quantile that belongs to `maximum_modulus_sf`; NaN where `dof` is.

    Parameters
    ----------
    confidence : float
        Level, 0 to 1.
    comparisons : int
    dof : float

    Raises
    ------
    ValueError
        If the level is not between 0 and 1.
    """
    if not dof > 0:
        return float("nan")
    # Between one comparison and Bonferroni's bound for all of them.
    low, high = (-float(student_quantile((1 - confidence) / (2 * m), dof)) for m in (1, comparisons))
    s = _scatter_nodes(np.asarray(dof, float))
    return float(
        optimize.brentq(lambda t: float(_outside(t, comparisons, s)) - (1 - confidence), 0.99 * low, 1.01 * high)
    )
