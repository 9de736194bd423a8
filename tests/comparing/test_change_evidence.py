"""Evidence for a change: against scipy's normal densities, and against a record whose change is known from outside."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy.stats import multivariate_normal

from sts.comparing.change_evidence import DRIFT, EVEN, MEMORY, PLACES, REPEATS, SIZES, SLOW, Slopes, scatter_of_others
from sts.comparing.tip_change import STEP

SITE = np.array([0, 0, 0, 1, 1, 2, 0, 0, 3])
Y = np.random.default_rng(4).normal(size=9) * 0.02 + 0.1 * (np.arange(9) > 3)


def covariance(share: float, repeats: float, places: float) -> np.ndarray:
    """Of nine ln slopes with a mean that is all but free, written down term by term."""
    lag = np.abs(np.subtract.outer(np.arange(9), np.arange(9)))
    slow = np.mean([np.exp(-lag / memory) for memory in MEMORY], axis=0)
    t = np.linspace(-0.5, 0.5, 9)
    own = repeats**2 * ((1 - share) * np.eye(9) + share * slow)
    return own + places**2 * (SITE[:, None] == SITE) + DRIFT**2 * np.outer(t, t) + 10.0


@pytest.mark.parametrize(("p", "s", "b", "z"), [(0, 3, 2, 0), (1, 4, 3, 1), (2, 6, 5, 2), (0, 9, 6, 0)])
def test_a_change_makes_the_slopes_likelier_as_scipys_normal_densities_say(p, s, b, z):
    step = (np.arange(9) >= 4).astype(float)
    v = covariance(SLOW[p], REPEATS[s], PLACES[b])
    without, with_it = (
        multivariate_normal.logpdf(Y - Y.mean(), np.zeros(9), one)
        for one in (v, v + SIZES[z] ** 2 * np.outer(step, step))
    )
    found = Slopes(Y, SITE).gains(step[:, None])[p, s, b, z, 0]
    assert_allclose(found, with_it - without, rtol=1e-4, atol=2e-3)  # the mean is free here, of variance 10 there


def test_scatters_are_weighed_against_one_another_as_scipys_normal_densities_say():
    cells = [(0, 3, 2), (1, 4, 3), (2, 6, 5), (0, 5, 4)]
    outside = [
        multivariate_normal.logpdf(Y - Y.mean(), np.zeros(9), covariance(SLOW[p], REPEATS[s], PLACES[b]))
        for p, s, b in cells
    ]
    ours = [Slopes(Y, SITE).none[cell] for cell in cells]
    assert_allclose(np.diff(ours), np.diff(outside), rtol=1e-4, atol=2e-3)


def test_the_flow_of_the_nile_steps_after_1898():
    """Annual flow at Aswan 1871 to 1970 (statsmodels): a change at 1898 (G. W. Cobb, Biometrika 65, 243, 1978; from memory)."""
    record = sm.datasets.nile.load_pandas().data
    flow = record["volume"].to_numpy(float)
    slopes = Slopes(np.log(flow), np.zeros(100, int))
    found = slopes.evidence()
    step, run, _ = found.against_none()
    assert step > STEP
    assert step > run
    shares = found.places()
    assert record["year"][int(np.argmax(shares))] == 1898  # the last year before
    assert shares[26:29].sum() > 0.8  # 1897 to 1899
    levels = slopes.levels(shares)
    for level, years in ((levels.before, slice(0, 28)), (levels.after, slice(28, 100))):
        assert level[1] < np.log(flow[years]).mean() < level[2]


def test_what_other_tips_scatter_by_is_learned_from_them():
    rng = np.random.default_rng(1)
    site = np.repeat(np.arange(8), 3)
    found = [Slopes(sd * rng.normal(size=8)[site] + 0.003 * rng.normal(size=24), site).evidence() for sd in (0.01,) * 4]
    prior = scatter_of_others(found)[0]
    assert PLACES[int(np.argmax(prior))] == pytest.approx(0.01, rel=0.6)
    assert_allclose(np.exp(prior).sum(), 1.0)
    assert_allclose(scatter_of_others(found[:1])[0], EVEN)  # no other tip tells anything


def test_a_repeat_that_is_known_less_well_weighs_less():
    y = np.r_[np.zeros(6), 0.2, 0.2] + 0.005 * np.sin(np.arange(8) * 2.1)
    sure, unsure = (
        Slopes(y, np.zeros(8, int), np.r_[np.ones(6), weight, weight]).evidence().against_none()[0]
        for weight in (1.0, 400.0)
    )
    assert sure > 3
    assert unsure < 1
