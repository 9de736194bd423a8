"""Spectra taken at a varying gap, brought to constant separation before they are differentiated."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import optimize
from scipy.interpolate import PchipInterpolator

from sts.quantities import MAD_SCALE, barrier_from_decay, decay_from_barrier

Array = NDArray[np.float64]

GAP_SE_NM = 0.2  # standard uncertainty of a gap that nobody measured (common practice, no source)
TIP_SLOPE_PER_EV = 0.2  # standard uncertainty of d ln ρ/dE of the tip, which is taken as 0 (common practice, no source)
_A = float(decay_from_barrier(1.0)) * 1e-9  # 2 √(2m)/ħ [1/(nm √eV)]
_KNOTS = 24  # of the density of states on either side of the Fermi level
_MOST_POINTS = 100  # of the axis that the density is fitted to, and the factor worked out at
_ENERGIES, _SHARES = np.polynomial.legendre.leggauss(48)
_FLOOR = 1e-4  # of the largest density, where the current shows none: there the factor is that of what would flow
_LOW_BIAS_V = 0.02  # a decay measured below this is that of the barrier itself
_MISFIT = 0.02  # of the current, to which a density of states is fitted: the factor hangs on no more


@dataclass(frozen=True)
class Decay:
    """How the current decays with the gap where the sweeps were taken."""

    per_m: float  # |d ln I/dz| = 2κ [1/m]
    se_per_m: float = float("nan")  # its standard uncertainty
    bias_V: float = 0.0  # at which it was measured [V]
    gap_m: float = float("nan")  # width of the gap at 0 V, assumed [m]; NaN: one decay at all biases


def to_constant_separation(bias: Any, current: Any, *, gap_slope_m_per_V: float, decay: Decay) -> tuple[Array, Array]:
    """The current at the separation of 0 V, from sweeps in which the gap was s0 + a|V|.

    Parameters
    ----------
    bias : array_like, shape (n,)
        Bias [V].
    current : array_like, shape (n,) or (m, n)
        Current as measured, offset removed [A].
    gap_slope_m_per_V : float
        a: by how much the gap was wider per volt of |V| [m/V]; 1 Å/V is 1e-10.
    decay : Decay
        Of the current, from I(z) at the same site.

    Returns
    -------
    (ndarray, ndarray)
        Current at constant separation, shape of `current`; relative standard uncertainty of the factor, shape (n,): it is
        common to all sweeps, so that averaging does not reduce it.

    Raises
    ------
    ValueError
        If the decay is not known: without it the sweep must not be differentiated.

    Notes
    -----
    The factor is I(V, s0)/I(V, s0 + a|V|), and with one decay at all biases exp(+2κ a|V|), as the tip is closest at V = 0,
    where a gap lets least current through: P. Mårtensson and R. M. Feenstra, Phys. Rev. B 39, 7744 (1989). Differentiating
    I_m itself takes 2κ a|V| off (dI/dV)/(I/V) and can turn the conductance negative. At 2 V, 1 Å/V and 2κ = 2 per Å
    that is 55, and 10 % in κ are 49 %. But a bias tilts the barrier: see `log_factor`.
    """
    exponent, relative = log_factor(bias, current, gap_slope_m_per_V=gap_slope_m_per_V, decay=decay)
    return np.asarray(current, float) * np.exp(exponent), relative


def log_factor(bias: Any, current: Any, *, gap_slope_m_per_V: float, decay: Decay) -> tuple[Array, Array]:
    """ln I(V, s0)/I(V, s0 + a|V|) and its standard uncertainty, (n,) each; arguments and errors as `to_constant_separation`.

    Parameters
    ----------
    bias : array_like, shape (n,)
        Bias, ascending [V].
    current : array_like, shape (n,) or (m, n)
        Current as measured, offset removed [A]; NaN where a sample is missing.
    gap_slope_m_per_V : float
        a [m/V].
    decay : Decay

    Raises
    ------
    ValueError
        If the decay is not known.

    Notes
    -----
    I(V, s) = ∫ ρ(E) exp(-S) dE over the bias window, ρ the density of the sample before a tip with a level one, S the action of
    a trapezoidal barrier (WKB, as in `sts.curves.planar_barrier.tilted_barrier`, from memory). Which states carry the current
    says how it decays: at positive bias mostly those at the upper edge of the window, whose barrier is lower by half the
    bias; at negative bias, with a band below a gap, states whose barrier is higher. So ρ, straight between knots and nowhere
    negative, is fitted to the measured current itself, and the factor hardly hangs on how well. The barrier is the one with which
    this current has the decay that was measured, at the bias of that.

    With one decay for all biases the factor is 15, 36, 76 % too large at 1.5, 2, 2.5 V (4.5 eV, 0.8 nm, 1 Å/V, level ρ), and up to
    40 % too small at negative bias with a gap.

    The uncertainty holds that of the decay, of the gap (0.2 nm, since nobody measured it), and of the density of the tip (level
    within 20 % per eV).
    """
    if not (np.isfinite(decay.per_m) and decay.per_m > 0):
        raise ValueError(
            "These sweeps were taken with a varying gap (gap_slope), but no decay of the current is known for this "
            "site. Record I(z) at the same site, or state spectra.decay_per_nm in the plan; without it dI/dV would be "
            "wrong."
        )
    bias, slope = np.asarray(bias, float), abs(gap_slope_m_per_V)
    error = decay.se_per_m if np.isfinite(decay.se_per_m) else 0.0
    if not np.isfinite(decay.gap_m):
        return np.asarray(decay.per_m * slope * np.abs(bias)), np.asarray(slope * np.abs(bias) * error)
    gap = decay.gap_m * 1e9
    seen = _Seen(bias, *_middle(np.atleast_2d(np.asarray(current, float))), slope * 1e9, decay.bias_V)
    middle = seen.factor(decay.per_m, gap)
    changed = [
        np.abs(other.factor(per_m, width) - middle)
        for other, per_m, width in (
            (seen, decay.per_m + error, gap),
            (seen, decay.per_m, gap + GAP_SE_NM),
            (seen, decay.per_m, gap - GAP_SE_NM),
            (replace(seen, tip_slope=TIP_SLOPE_PER_EV), decay.per_m, gap),
            (replace(seen, tip_slope=-TIP_SLOPE_PER_EV), decay.per_m, gap),
        )
    ]
    of_gap, of_tip = np.maximum(*changed[1:3]), np.maximum(*changed[3:])
    return middle, np.asarray(np.sqrt(changed[0] ** 2 + of_gap**2 + of_tip**2))


def falling_ends(bias: Array, current: Array, rows: Array, quantile: float) -> tuple[float, float] | None:
    """The two biases at which the current is largest [V], where it surely falls from there towards both ends; else None.

    Parameters
    ----------
    bias : numpy.ndarray, shape (n,)
        [V], ascending.
    current : numpy.ndarray, shape (n,)
        Offset removed [A].
    rows : numpy.ndarray, shape (r, n)
        Deviations that carry its uncertainty (`sts.spectra.bands.Means`) [A].
    quantile : float
        Half a band in standard uncertainties.

    Notes
    -----
    The current through a vacuum gap grows with |V| at any density of states, but for a resonance that is passed; a tip that is
    drawn back by a|V| divides it by exp(2κ a|V|), at both signs alike. So the mean of |I| over the last tenth of either side is
    held against that over the tenth before.
    """
    peaks = []
    for sign in (-1, 1):
        share = sign * bias / max(float((sign * bias).max()), 1e-300)
        last, before = share > 0.9, (share > 0.8) & (share <= 0.9)
        if share.max() < 1 or not (last.any() and before.any()):
            return None
        contrast = sign * (last / last.sum() - before / before.sum())
        if contrast @ current + quantile * np.sqrt(np.sum((rows @ contrast) ** 2)) >= 0:
            return None
        peaks.append(float(bias[np.argmax(np.where(share > 0, sign * current, -np.inf))]))
    return peaks[0], peaks[1]


def _middle(current: Array) -> tuple[Array, Array]:
    """The middle one of currents (m, n) at each point and its standard uncertainty, (n,) each [A]; NaN where there is none."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of a point without samples
        middle = np.nanmedian(current, axis=0)
        spread = MAD_SCALE * np.nanmedian(np.abs(current - middle), axis=0)
    return middle, np.asarray(np.sqrt(np.pi / 2 / len(current)) * np.nan_to_num(spread))


@dataclass(frozen=True, eq=False)
class _Seen:
    """A current as measured at a varying gap, and the factors that bring it to a constant one."""

    bias: Array
    current: Array
    noise: Array
    slope_nm: float  # [nm/V]
    decay_bias_V: float  # at which the decay was measured
    tip_slope: float = 0.0  # d ln ρ/dE of the tip [1/eV]

    def factor(self, decay_per_m: float, gap_nm: float) -> Array:
        """ln I(V, s0)/I(V, s0 + a|V|), (n,)."""
        barrier = self._barrier(float(barrier_from_decay(decay_per_m)), gap_nm)
        found = np.zeros(self.bias.size)
        for sign in (-1, 1):
            side = self.bias * sign > 0
            if side.any():
                v, density, knots = self._density(sign, barrier, gap_nm)
                paths = _Paths(v, sign, barrier, knots, self.tip_slope)
                ratio = np.log(paths.current(gap_nm, density) / paths.current(gap_nm + self.slope_nm * v, density))
                curve = PchipInterpolator(np.r_[0.0, v], np.r_[0.0, ratio])
                found[side] = curve(np.abs(self.bias[side]))
        return found

    def _barrier(self, apparent_eV: float, gap_nm: float) -> float:
        """The barrier [eV] at which this current has the decay measured at its bias."""
        at, sign = abs(self.decay_bias_V), -1 if self.decay_bias_V < 0 else 1
        if at < _LOW_BIAS_V or not (self.bias * sign > 0).any():
            return apparent_eV

        def miss(barrier: float) -> float:
            _, density, knots = self._density(sign, barrier, gap_nm)
            return (
                _Paths(np.array([at]), sign, barrier, knots, self.tip_slope).apparent_barrier(gap_nm, density)
                - apparent_eV
            )

        low, high = max(apparent_eV - at / 2, 0.05), apparent_eV + at / 2
        return float(optimize.brentq(miss, low, high, xtol=1e-3)) if miss(low) < 0 < miss(high) else apparent_eV

    def _density(self, sign: int, barrier_eV: float, gap_nm: float) -> tuple[Array, Array, Array]:
        """Where one side of the current is looked at [V], and the density that explains it, at its knots [V]."""
        side = self.bias * sign > 0
        order = np.argsort(np.abs(self.bias[side]))
        order = order[np.unique(np.linspace(0, order.size - 1, _MOST_POINTS).astype(int))]
        v, current, noise = (a[side][order] for a in (np.abs(self.bias), self.current * sign, self.noise))
        knots = np.linspace(0, v[-1], _KNOTS)
        good = np.isfinite(current)
        weight = 1 / np.hypot(_MISFIT * current, noise + _FLOOR * np.nanmax(np.abs(current)))[good]
        made = (
            _Paths(v[good], sign, barrier_eV, knots, self.tip_slope).matrix(gap_nm + self.slope_nm * v[good])
            * weight[:, None]
        )
        density, _ = optimize.nnls(made, current[good] * weight)
        return v, density + _FLOOR * density.max() if density.max() > 0 else np.ones(_KNOTS), knots


class _Paths:
    """Ways of the electrons through the barrier at p biases of one sign, and how much each hat of the density gives."""

    def __init__(self, v: Array, sign: int, barrier_eV: float, knots: Array, tip_slope: float) -> None:
        below = v[:, None] * (_ENERGIES + 1) / 2  # states of the sample, from its Fermi level
        top = barrier_eV + (below if sign < 0 else v[:, None] - below)  # above the electron, where it comes from
        self.root = 2 / (3 * v[:, None]) * (top**1.5 - np.maximum(top - v[:, None], 0.0) ** 1.5)  # mean √height
        self.least = np.sqrt(barrier_eV)
        place = below / (knots[1] - knots[0])
        states = _SHARES * v[:, None] * np.exp(tip_slope * sign * (below - v[:, None]))
        self.hats = np.maximum(1 - np.abs(place[..., None] - np.arange(knots.size)), 0.0) * states[..., None]

    def matrix(self, gap_nm: Any) -> Array:
        """Current of each hat, (p, knots), at a gap, (p,) or one."""
        through = np.exp(-_A * (np.broadcast_to(gap_nm, self.root.shape[:1])[:, None] * self.root - self.least))
        return np.asarray(np.einsum("pe,pek->pk", through, self.hats))

    def current(self, gap_nm: Any, density: Array) -> Array:
        """Current of a density at a gap, (p,)."""
        return np.asarray(self.matrix(gap_nm) @ density)

    def apparent_barrier(self, gap_nm: float, density: Array) -> float:
        """Apparent height at the first bias, from the slope of ln I [eV]."""
        weight = np.exp(-_A * gap_nm * self.root[0]) * (self.hats[0] @ density)
        return float((weight @ self.root[0] / weight.sum()) ** 2)
