"""Groups of I(V) sweeps at a varying gap: the decay of their site, the factor to constant separation, and what it adds to bands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from sts.analysis.results import BarrierAnalysis
from sts.comparing.sites_and_tips import SITE
from sts.curves.electronics import find_saturation
from sts.flags import flag_rows, join_flags, no_flags
from sts.plan import Plan
from sts.quantities import with_prefix
from sts.spectra.broadened import widened_by_factor
from sts.spectra.spectrum import Offsets, Spectrum
from sts.spectra.varying_gap import Decay, log_factor
from sts.sweeps import SweepSet

Array = NDArray[np.float64]


def decay_by_site(barrier: BarrierAnalysis | None) -> dict[tuple[str, ...], Decay]:
    """Decay at each (sample, tip, day, site), from the session's I(z).

    Parameters
    ----------
    barrier : BarrierAnalysis, optional
    """
    if barrier is None or barrier.sites.empty:
        return {}
    bias = barrier.bias_V if np.isfinite(barrier.bias_V) else 0.0
    return {
        tuple(str(r[c]) for c in SITE): Decay(r["decay_per_nm"] * 1e9, r["decay_se_per_nm"] * 1e9, bias)
        for r in barrier.sites.to_dict("records")
    }


def decay_for(group: SweepSet, plan: Plan, decays: Mapping[tuple[str, ...], Decay]) -> Decay | None:
    """Decay of the current for a group: stated, or from I(z) at its sites (NaN if at none); None if its gap did not vary.

    Parameters
    ----------
    group : SweepSet
        I(V) sweeps.
    plan : Plan
        Whether the gap varied, and what is stated of the decay.
    decays : mapping
        Of `decay_by_site`.
    """
    given, gap = plan.spectra, plan.barrier.gap_nm * 1e-9
    if given.gap_slope_A_per_V is None:
        return None
    if given.decay_per_nm is not None:
        return Decay(given.decay_per_nm * 1e9, given.decay_se_per_nm * 1e9, given.decay_bias_V, gap)
    places = {tuple(str(r[c]) for c in SITE) for r in group.table.to_dict("records")}
    known = [decays[place] for place in places if place in decays]
    if len(known) < len(places):
        return Decay(float("nan"))
    values, errors = np.array([(one.per_m, one.se_per_m) for one in known]).T
    spread = values.std(ddof=1) if len(known) > 1 else 0.0
    return Decay(float(values.mean()), float(np.hypot(errors.max(), spread)), known[0].bias_V, gap)


@dataclass(frozen=True, eq=False)
class GapFactor:
    """What brings a group at a varying gap to constant separation."""

    exponent: Array  # ln of the factor, (n,)
    relative: Array  # its standard uncertainty, (n,)
    zero_A: float  # current offset, which the factor does not act on
    words: str

    def applied_to(self, sweeps: SweepSet) -> SweepSet:
        """Sweeps of the group at constant separation.

        Parameters
        ----------
        sweeps : SweepSet
            m sweeps on the axis of the group.
        """
        return replace(sweeps, current=(sweeps.current - self.zero_A) * np.exp(self.exponent) + self.zero_A)

    def widened(self, spectrum: Spectrum, confidence: float) -> Spectrum:
        """The spectrum of the group with the uncertainty of the factor in its bands, and a flag that says what was done.

        The uncertainty is common to all sweeps: it adds to the bands of current, derivative and ratio, where
        N = d ln I/d ln V gains V d(ln f)/dV.

        Parameters
        ----------
        spectrum : Spectrum
        confidence : float
            Of the bands.
        """
        relative, bias, level = self.relative, spectrum.bias, confidence
        rise = np.gradient(relative, bias)
        didv_se = np.hypot(spectrum.didv_se, spectrum.didv * relative + spectrum.current * rise)
        ratio_se = np.hypot(spectrum.normalised_se, bias * rise)
        didv = _widened(spectrum.didv, spectrum.didv_low, spectrum.didv_high, didv_se, spectrum.didv_se, level)
        ratio = _widened(
            spectrum.normalised,
            spectrum.normalised_low,
            spectrum.normalised_high,
            ratio_se,
            spectrum.normalised_se,
            level,
        )
        ends = (spectrum.unsmoothed_low, spectrum.unsmoothed_high)
        if ends[0] is not None and ends[1] is not None:
            ends = _widened((ends[0] + ends[1]) / 2, *ends, didv_se, spectrum.didv_se, level)
        flags = spectrum.flags if spectrum.flags is not None else no_flags()
        reach = float(ndtri(0.5 + level / 2))
        return replace(
            spectrum,
            current_se=np.hypot(spectrum.current_se, spectrum.current * relative),
            didv_se=didv_se,
            didv_low=didv[0],
            didv_high=didv[1],
            unsmoothed_low=ends[0],
            unsmoothed_high=ends[1],
            normalised_se=ratio_se,
            normalised_low=ratio[0],
            normalised_high=ratio[1],
            broadened=widened_by_factor(
                spectrum.broadened, bias, spectrum.current, spectrum.didv, relative, reach=reach
            ),
            flags=join_flags([flags, flag_rows([""], [True], "varying gap", [self.words])]),
        )


def gap_factor(group: SweepSet, plan: Plan, offsets: Offsets | None, decay: Decay) -> GapFactor:
    """The factor of a group, from all of its sweeps: no decision moves it.

    Parameters
    ----------
    group : SweepSet
        m sweeps.
    plan : Plan
        By how much the gap varied.
    offsets : Offsets, optional
        Of the group.
    decay : Decay
        Of `decay_for`.

    Raises
    ------
    ValueError
        If nothing says what the decay is.
    """
    slope = plan.spectra.gap_slope_A_per_V or 0.0
    zero = offsets.current_A if offsets is not None and np.isfinite(offsets.current_A) else 0.0
    railed = find_saturation(group.current, full_scale=group.table["full_scale_A"].to_numpy(float))
    seen = np.where(railed, np.nan, group.current - zero)
    exponent, relative = log_factor(group.axis, seen, gap_slope_m_per_V=slope * 1e-10, decay=decay)
    ends = "; ".join(
        f"{np.exp(exponent[end]):.3g} ± {100 * relative[end]:.2g} % at {with_prefix(group.axis[end], 'V')}"
        for end in (0, -1)
    )
    words = (
        f"brought to constant separation with {slope:g} Å/V and {decay.per_m * 1e-9:.2f} ± {decay.se_per_m * 1e-9:.2f} per nm "
        f"at {with_prefix(decay.bias_V, 'V')}, the barrier tilted by the bias: factor {ends}"
    )
    return GapFactor(exponent, relative, zero, words)


def _widened(value: Any, low: Any, high: Any, se: Any, se_before: Any, confidence: float) -> tuple[Any, Any]:
    """A band widened by an uncertainty that is normal, not of few repeats; where there was no band there is none."""
    more = ndtri(0.5 + confidence / 2) * np.sqrt(np.maximum(se**2 - se_before**2, 0.0))
    return value - np.hypot(value - low, more), value + np.hypot(high - value, more)
