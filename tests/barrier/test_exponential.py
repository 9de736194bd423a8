"""The engine against numbers from outside: certified exponentials, and measured data fitted by a general library."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose
from scipy.optimize import curve_fit

from sts.barrier import exponential as engine


def certified(x, y, *, pinned_at, decay_scale):
    """Our engine on y = A exp(-k x) + offset, with one relation held by a sample of enormous weight.

    A sample at x = 0, y = 0 holds offset = -A; a sample where the exponential is gone holds offset = 0.
    """
    u = np.append(np.asarray(x, float) * decay_scale, pinned_at)
    current = np.append(np.asarray(y, float), 0.0)[None]
    variance = np.append(np.ones(len(x)), 1e-7)[None] * (1e-6 * np.max(np.abs(y))) ** 2
    equal = np.append(np.ones(len(x)), 1.0)[None]
    samples = engine.Samples(u, current, equal)
    fitted = engine.fit(engine.start(samples), samples, lambda s, rows: variance + 0 * s)
    fit, products = fitted.curve, fitted.products
    matrix, _ = products.normal(u, np.ones((u.size, 1)))
    covariance = engine.inverse(matrix[:, 0])[0]
    residual = current[0] - products.signal[0] - fit.offset[0]
    freedom = u.size - 3
    chi2 = float(np.sum(residual**2 / variance[0]) / freedom)
    assert fit.good.all()
    return {
        "amplitude": abs(fit.amplitude[0]),
        "amplitude_se": float(abs(fit.amplitude[0]) * np.sqrt(covariance[0, 0] * chi2)),
        "decay": fit.decay[0] * decay_scale,
        "decay_se": float(np.sqrt(chi2 * covariance[2, 2])) * decay_scale,
        "rsd": float(np.sqrt(np.sum(residual[:-1] ** 2) / freedom)),
    }


def read_nist(path):
    rows = [line.split() for line in path.read_text(encoding="ascii").splitlines()[60:]]
    y, x = np.array([row for row in rows if len(row) == 2], float).T
    return x, y


def test_certified_exponential_misra1a(opendata):
    """NIST StRD Misra1a, y = b1 (1 - exp(-b2 x)): certified values and standard deviations, 11 digits."""
    x, y = read_nist(opendata / "nist-strd-exponential" / "Misra1a.dat")
    found = certified(x, y, pinned_at=0.0, decay_scale=1e-3)
    assert_allclose(found["amplitude"], 2.3894212918e02, rtol=1e-6)
    assert_allclose(found["amplitude_se"], 2.7070075241e00, rtol=1e-5)
    assert_allclose(found["decay"], 5.5015643181e-04, rtol=1e-6)
    assert_allclose(found["decay_se"], 7.2668688436e-06, rtol=1e-5)
    assert_allclose(found["rsd"], 1.0187876330e-01, rtol=1e-6)


def test_certified_power_law_danwood():
    """NIST StRD DanWood, y = b1 x^b2 (statistics.csv nl_DanWood_*, data seen there): an exponential in ln x."""
    x = np.array([1.309, 1.471, 1.490, 1.565, 1.611, 1.680])
    y = np.array([2.138, 3.421, 3.597, 4.340, 4.882, 5.660])
    found = certified(-np.log(x), y, pinned_at=1e3, decay_scale=1.0)
    assert_allclose(found["amplitude"], 7.6886226176e-01, rtol=1e-6)
    assert_allclose(found["amplitude_se"], 1.8281973860e-02, rtol=1e-4)
    assert_allclose(found["decay"], 3.8604055871e00, rtol=1e-6)
    assert_allclose(found["decay_se"], 5.1726610913e-02, rtol=1e-4)
    assert_allclose(found["rsd"], 3.2853114039e-02, rtol=1e-5)


def test_certified_hard_exponential_boxbod():
    """NIST StRD BoxBOD, y = b1 (1 - exp(-b2 x)), "higher difficulty" (statistics.csv nl_BoxBOD_*)."""
    x = np.array([1.0, 2.0, 3.0, 5.0, 7.0, 10.0])
    y = np.array([109.0, 149.0, 149.0, 191.0, 213.0, 224.0])
    found = certified(x, y, pinned_at=0.0, decay_scale=1.0)
    assert_allclose(found["amplitude"], 2.1380940889e02, rtol=1e-6)
    assert_allclose(found["amplitude_se"], 1.2354515176e01, rtol=1e-4)
    assert_allclose(found["decay"], 5.4723748542e-01, rtol=1e-6)
    assert_allclose(found["decay_se"], 1.0455993237e-01, rtol=1e-4)


def test_a_measured_exponential_is_fitted_as_a_general_library_fits_it(opendata):
    """Langmuir probe in helium (opendata, measured): scipy's curve_fit is the outside reference."""
    bias, current = np.loadtxt(opendata / "probe-iv-exponential" / "Beckers2017.csv", delimiter=",", skiprows=1).T
    part = (bias > -15) & (bias < -1)
    height, current = -bias[part][::-1], current[part][::-1]  # so that it decays
    u, span = engine.scaled_height(height)
    samples = engine.Samples(u, current[None], np.ones((1, u.size)))
    fitted = engine.fit(engine.start(samples), samples, lambda s, rows: np.full_like(s, 1e-16))
    fit, products = fitted.curve, fitted.products
    information = engine.solve(*(part[:, 0] for part in products.normal(u, np.ones((u.size, 1))))).information[0]
    chi2 = np.sum(products.residual**2) / 1e-16 / (u.size - 3)
    (a, k, c), covariance = curve_fit(
        lambda x, a, k, c: a * np.exp(-k * x) + c, u, current, p0=(fit.amplitude[0], 3.0, 0.0)
    )
    assert_allclose([fit.amplitude[0], fit.decay[0], fit.offset[0]], [a, k, c], rtol=1e-5)
    assert_allclose(np.sqrt(chi2 / information), np.sqrt(covariance[1, 1]), rtol=1e-3)
    assert 1.0 < span / fit.decay[0] < 6.0  # an electron temperature of a few volts, as such plasmas have
