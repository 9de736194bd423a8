"""False alarms and power of the test whether two tips differ, exact: by quadrature over the ratio of the two scatters, no draws."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import stats

from sts.comparing.pairs import unequal_dof
from studies import Finding

TITLE = "Two tips: false alarms and power with few sites and unequal scatter"

Z = float(stats.norm.isf(0.025))
RATIOS = (1 / 9, 1 / 4, 1 / 2, 1.0, 2.0, 4.0, 9.0)
SITES = ((3, 3), (4, 4), (6, 6), (3, 4), (3, 5), (3, 6), (3, 8), (3, 12), (4, 6), (4, 8), (4, 12))
APART = 3.7  # true difference over its standard deviation, where power is told


def ours(variance: np.ndarray, n: np.ndarray) -> np.ndarray:
    """Degrees of freedom as `compare_pairs` takes them."""
    return unequal_dof(variance, n - 1, n, Z)


def welch(variance: np.ndarray, n: np.ndarray) -> np.ndarray:
    """Degrees of freedom by Welch and Satterthwaite."""
    return np.asarray(variance.sum(axis=0) ** 2 / (variance**2 / (n - 1)).sum(axis=0))


def told_apart(
    sites: tuple[int, int], ratio: float, rule: Callable[[np.ndarray, np.ndarray], np.ndarray], apart: float = 0.0
) -> float:
    """Share [%] called different at 5 %: given the ratio of the two variances the statistic is (noncentral) Student's t."""
    n = np.array(sites, float)[:, None] * np.ones(800)
    dof = n[:, 0] - 1
    f = stats.f.ppf((np.arange(800) + 0.5) / 800, *dof)
    variance = np.stack([ratio * f, np.ones_like(f)]) / n
    pooled = (dof[0] * f + dof[1]) / dof.sum() * (ratio / sites[0] + 1 / sites[1])
    limit = stats.t.isf(0.025, rule(variance, n)) * np.sqrt(variance.sum(axis=0) / pooled)
    if apart:
        inside = stats.nct.cdf(limit, dof.sum(), apart) - stats.nct.cdf(-limit, dof.sum(), apart)
        return float(100 * np.mean(1 - inside))
    return float(100 * np.mean(2 * stats.t.sf(limit, dof.sum())))


def run(quick: bool = False, seed: int = 0) -> list[Finding]:
    """All regimes; exact, so that quick and seed change nothing."""
    findings = []
    for sites in SITES:
        for ratio in RATIOS:
            case = f"{sites[0]} and {sites[1]} sites, variances 1:{1 / ratio:.3g}"
            findings.append(
                Finding(case, "equal tips called different [%]", told_apart(sites, ratio, ours), 3.0, 6.0, 800)
            )
            findings.append(
                Finding(case, "the same by Welch's test [%]", told_apart(sites, ratio, welch), 0.0, 100.0, 800)
            )
            if sites in ((3, 3), (4, 4), (3, 8)):
                for rule, words in ((ours, "told apart [%]"), (welch, "told apart by Welch's test [%]")):
                    share = told_apart(sites, ratio, rule, APART)
                    findings.append(Finding(case, words, share, 0.0, 100.0, 800))
    return findings
