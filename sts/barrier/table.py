"""What a fitted batch of I(z) sweeps says: a row a sweep, a row a tip for the noise, and the flags."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from sts.barrier.batch import PARAMETERS, Batch
from sts.barrier.modulation import fit_modulation
from sts.barrier.noise import Noise
from sts.curves.averaging import comparison_groups
from sts.curves.dead_channel import dead_rows
from sts.flags import flag_rows, join_flags
from sts.plan import Plan
from sts.quantities import ELEMENTARY_CHARGE, barrier_from_decay
from sts.sweeps import COLUMNS

Array = NDArray[np.float64]

MISFIT = 5.0  # times the usual reduced chi² of the tip (at least 1): such a sweep follows no exponential with offset


def sweep_rows(batch: Batch, confidence: float) -> pd.DataFrame:
    """One row a sweep, (m,): `SWEEP_COLUMNS` of `sts.barrier.fit` without flags and use, more figures, own columns."""
    good = batch.fits.good
    decay = np.where(good, batch.fits.decay / batch.span, np.nan)  # [1/m]
    freedom = np.maximum(batch.points - PARAMETERS, 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        se = np.sqrt(batch.chi2 * batch.shape["inflation"] / batch.information) / batch.span
    se = np.where(good, se, np.nan)
    different, which = np.unique(freedom, return_inverse=True)
    reach = np.asarray(stats.t.ppf(0.5 + confidence / 2, different))[which] * se
    electronics = np.sqrt(batch.terms[:, 0])
    first = np.argmax(batch.usable, axis=1)
    last = batch.n - 1 - np.argmax(batch.usable[:, ::-1], axis=1)
    fit = batch.fits
    with np.errstate(all="ignore"):
        top = np.abs(fit.amplitude) * np.exp(-fit.decay * batch.u[first])
        bottom = np.maximum(np.abs(fit.amplitude) * np.exp(-fit.decay * batch.u[last]), electronics)
        decades = np.log10(np.maximum(top / bottom, 1.0))
    low = barrier_from_decay(np.maximum(np.abs(decay) - reach, 0.0))
    log_decay = batch.log_decay / batch.span
    windows = barrier_from_decay(np.concatenate([batch.window_decay / batch.span, decay[:, None]], axis=1))
    with np.errstate(all="ignore"):
        spread = (np.fmax.reduce(windows, axis=1) - np.fmin.reduce(windows, axis=1)) / 2
    identity = batch.sweeps.table[["sweep", "sample", "tip", "site", "direction", "repeat"]]
    values: dict[str, Any] = {
        "barrier_eV": barrier_from_decay(decay),
        "barrier_se_eV": barrier_from_decay(1.0) * 2 * np.abs(decay) * se,
        "barrier_low_eV": low,
        "barrier_high_eV": barrier_from_decay(np.abs(decay) + reach),
        "decay_per_nm": decay * 1e-9,
        "decades": np.where(good, decades, np.nan),
        "offset_pA": np.where(good, fit.offset * 1e12, np.nan),
        "noise_pA": electronics * 1e12,
        "points": batch.points,
        "from_nm": np.where(batch.points > 0, batch.height[first] * 1e9, np.nan),
        "to_nm": np.where(batch.points > 0, batch.height[last] * 1e9, np.nan),
        "reduced_chi2": np.where(good, batch.chi2, np.nan),
        "barrier_log_eV": barrier_from_decay(log_decay),
        "decay_se_per_nm": se * 1e-9,
        "dof": freedom,
        "choice_spread_eV": np.where(good, spread, np.nan),
        "slow_correlation": batch.correlation,
        "offset_se_pA": np.where(good, batch.offset_se * 1e12, np.nan),
        "shot_bandwidth_Hz": batch.terms[:, 1] / (2 * ELEMENTARY_CHARGE),
        "gap_percent": np.sqrt(batch.terms[:, 2]) * 100,
        "amplitude_pA": np.where(good, fit.amplitude * 1e12, np.nan),
        **_modulated(batch),
        "lag_nm": batch.lag * batch.span * 1e9,
        "lag_ms": batch.lag * batch.sweeps.table["duration_s"].to_numpy(float) * 1e3,
        "lag_se_ms": batch.lag_se * batch.sweeps.table["duration_s"].to_numpy(float) * 1e3,
        "duration_s": batch.sweeps.table["duration_s"].to_numpy(float),
        "range_nm": np.full(len(decay), batch.span * 1e9),
    }
    own = [c for c in batch.sweeps.table.columns if c not in COLUMNS]
    taken = {c: f"own_{c}" for c in own if c in values or c in identity}
    return pd.concat([identity, pd.DataFrame(values), batch.sweeps.table[own].rename(columns=taken)], axis=1)


def noise_rows(batch: Batch) -> pd.DataFrame:
    """One row a group of sweeps that share their noise, with its three terms."""
    first = batch.sweeps.table.iloc[np.unique(batch.group, return_index=True)[1]]
    terms = batch.noise.terms
    return pd.DataFrame(
        {
            "sample": first["sample"].to_numpy(),
            "tip": first["tip"].to_numpy(),
            "electronics_pA": np.sqrt(terms[:, 0]) * 1e12,
            "shot_bandwidth_Hz": terms[:, 1] / (2 * ELEMENTARY_CHARGE),
            "gap_percent": np.sqrt(terms[:, 2]) * 100,
        }
    )


def sweep_flags(batch: Batch, table: pd.DataFrame, plan: Plan) -> pd.DataFrame:
    """Rows (sweep, flag, detail); `table` is that of `sweep_rows`."""
    good = batch.fits.good
    names, s = batch.sweeps.names, batch.shape
    z_nm = batch.height * 1e9

    def at(place: Array) -> Array:
        return np.asarray(z_nm[0] + place * batch.span * 1e9)

    barrier = table["barrier_eV"].to_numpy(float)
    decades = table["decades"].to_numpy(float)
    saturated, contact = batch.counts["saturated"], batch.counts["contact"]
    bias = np.abs(batch.sweeps.table["bias_V"].to_numpy(float))
    step = batch.step[batch.group]
    rows = []

    def say(mask: Any, flag: str, text: str, *values: Any) -> None:
        where = np.flatnonzero(mask)
        parts = zip(*(np.asarray(v)[where] for v in values), strict=True) if values else [()] * len(where)
        details = [text.format(*part) for part in parts]
        rows.append(flag_rows([names[i] for i in where], np.ones(len(where), bool), flag, details))

    none = (batch.points == 0) & ~batch.still
    few = ~none & ~batch.still & (batch.points <= PARAMETERS + 1)
    limit = plan.barrier.contact_conductance_G0
    say(saturated > 0, "saturated", f"{{}} of {batch.n} samples at the limit, masked", saturated)
    say(none & (saturated > 0), "all saturated", "every sample is at the limit or masked")
    say(none & (saturated == 0), "too few points", "no finite sample")
    say(few, "too few points", f"{{}} usable samples, at least {PARAMETERS + 2} are needed", batch.points)
    say(contact > 0, "contact", f"{{}} samples above {limit:g} G0, masked", contact)
    rows += _dead(batch)
    say(~good & ~none & ~few & ~batch.still, "fit failed", "no exponential describes this sweep")
    with np.errstate(invalid="ignore", divide="ignore"):
        coarse = step > 2 * np.sqrt(np.maximum(batch.terms[:, 0] - step**2 / 12, 1e-300))
        first, last = batch.fitted[:, 0], batch.fitted[:, -1]
        negative = good & (np.maximum(first, last) <= 3 * np.sqrt(batch.terms[:, 0])) & (batch.fits.amplitude < 0)
        growing = good & (np.abs(last) > np.abs(first)) & (batch.fits.amplitude * batch.fits.decay * first < 0)
        growing |= good & ~negative & (batch.fits.amplitude * batch.fits.decay < 0)
        falling = good & ~growing
        jumped = good & (s["jump_factor"] != 1)
        hinge = np.abs(s["hinge_t"])
        ratio = s["slope_after"] / s["slope_before"]
        small = np.minimum(np.abs(s["slope_after"]), np.abs(s["slope_before"]))
        large = np.maximum(np.abs(s["slope_after"]), np.abs(s["slope_before"]))
        clear = falling & ~jumped & (decades >= 0.5)
        curved = clear & (np.abs(s["curvature_t"]) > 5) & (np.abs(s["curvature"]) > plan.barrier.curvature)
        broken = clear & (hinge > 5) & (np.abs(np.log(np.abs(ratio))) > np.log1p(plan.barrier.curvature))
        plateau = broken & (small < 0.25 * large)
        two = broken & ~plateau & (hinge > 1.2 * np.abs(s["curvature_t"]))
        curved &= ~plateau & ~two
        short = falling & (decades < 1)
        low = falling & (table["barrier_high_eV"].to_numpy(float) < plan.barrier.low_eV)
        low |= falling & (barrier < plan.barrier.low_eV) & ~short
        high = falling & (barrier > plan.barrier.high_eV)
        slow = good & (s["inflation"] > 1.5)
        usual = pd.Series(np.where(good, batch.chi2, np.nan)).groupby(batch.group).transform("median").to_numpy(float)
        poor = good & (batch.chi2 > MISFIT * np.maximum(usual, 1.0))
        high_bias = bias > plan.barrier.high_bias_V
    say(coarse & good, "coarse steps", "converter step {:.3g} pA, larger than the noise", step * 1e12)
    say(growing, "wrong sign", "the current grows with height: height or direction is reversed in the file")
    say(negative, "negative current", "the current is negative throughout; its size was fitted")
    say(jumped, "jump", "current × {:.2f} at {:.3f} nm", s["jump_factor"], at(s["jump_at"]))
    slopes = [s[name] / (batch.span * 1e9) for name in ("slope_before", "slope_after")]
    place = at(s["hinge_at"])
    detail = "ln I falls by {0:.1f}/nm below {2:.3f} nm and {1:.1f}/nm above"
    say(plateau, "plateau", detail, *slopes, place)
    say(two, "two slopes", detail, *slopes, place)
    bend = 100 * s["curvature"]
    say(curved, "curved", "the slope of ln I changes by {:+.0f} % over the visible range", bend)
    say(short, "few decades", "{:.2f} decades above the noise; at least 1 is needed", decades)
    say(low, "low barrier", "{:.2f} eV: not a work function: contaminated or compliant gap", barrier)
    say(high, "high barrier", "{:.2f} eV: check the height scale", barrier)
    say(high_bias, "high bias", "{:.2f} V lowers the barrier by about half of it", bias)
    say(poor, "poor fit", "reduced chi² {:.1f}, usual for this tip {:.1f}", batch.chi2, usual)
    say(slow, "slow noise", "interval widened × {:.1f}", np.sqrt(s["inflation"]))
    late = np.isfinite(batch.lag) & (batch.sweeps.table["direction"] == "retract").to_numpy(bool)
    how = _late(batch, table, late)
    say(late & batch.too_late, "too much lag", "its start is {}", how)
    say(late & ~batch.too_late, "lag", "its start is {}; {} samples masked", how, batch.counts["lagging"])
    say(_mixed_bias(batch), "mixed biases", "the sweeps of this site were taken at different biases")
    return join_flags(rows)


def _dead(batch: Batch) -> list[pd.DataFrame]:
    """Flags of the sweeps whose current does not depend on the height, among the sweeps taken at the same place."""
    seen = np.where(batch.usable | batch.still[:, None], batch.sweeps.current, np.nan)
    names = batch.sweeps.names
    return [
        dead_rows([names[i] for i in members], seen[members], seen[reference], "height")
        for members, reference in comparison_groups(batch.sweeps)
    ]


def _modulated(batch: Batch) -> dict[str, Array]:
    """Barriers from the lock-in channel, where it is dI/dz or the amplitude of the height is known."""
    lockin, amplitude = batch.sweeps.lockin, batch.plan.height_modulation_pm
    decay = error = np.full(len(batch.sweeps), np.nan)
    if lockin is not None and (batch.sweeps.lockin_unit == "A/m" or (batch.sweeps.lockin_unit == "A" and amplitude)):
        signal = batch.fitted - batch.fits.offset[:, None]
        weight = np.where(
            batch.usable & np.isfinite(signal), 1 / Noise(batch.terms, np.arange(len(signal))).variance(signal), 0.0
        )
        known = amplitude * 1e-12 if batch.sweeps.lockin_unit == "A" else np.nan
        decay, error = fit_modulation(lockin, batch.sweeps.current, signal, weight, modulation_height_rms_m=known)
    return {
        "barrier_modulation_eV": barrier_from_decay(decay),
        "barrier_modulation_se_eV": barrier_from_decay(1.0) * 2 * decay * error,
    }


def _late(batch: Batch, table: pd.DataFrame, late: NDArray[np.bool_]) -> NDArray[np.object_]:
    """The lag of the sweeps that are late, in words."""
    texts = np.full(len(late), "", object)
    lag = table[["lag_nm", "lag_ms", "lag_se_ms"]].to_numpy(float)
    for row in np.flatnonzero(late):
        nm, ms, se = lag[row]
        time = f" ({ms:.3g} ± {se:.1g} ms)" if np.isfinite(ms) else ""
        doubt = "" if batch.lag_by_pairs[row] else "; one direction only: a barrier that bends there looks the same"
        texts[row] = f"flattened over {nm:.2g} nm as by an amplifier that lags{time}{doubt}"
    return texts


def _mixed_bias(batch: Batch) -> NDArray[np.bool_]:
    table = batch.sweeps.table
    sites = table.groupby(["sample", "tip", "site"], sort=False)["bias_V"]
    return np.asarray((sites.transform("max") - sites.transform("min")) > 1e-3, bool)
