"""Apparent barrier heights from I(z): the fit of I = A exp(-2κz) + offset to the sweeps of a set, and what it returns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.barrier.batch import Batch, fit_batches
from sts.barrier.bench_offset import KnownOffset
from sts.barrier.blocks import Array, Mask, take
from sts.barrier.exponential import scaled_height
from sts.barrier.flags import sweep_flags
from sts.barrier.mean_residual import bend_rows, find_bends
from sts.barrier.sweep_fits import Fits
from sts.barrier.table import noise_rows, sweep_rows
from sts.flags import flags_of
from sts.plan import Plan
from sts.selection import select
from sts.showing import Shown
from sts.sweeps import SweepSet

SWEEP_COLUMNS = (
    "sweep", "sample", "tip", "day", "site", "direction", "repeat", "barrier_eV", "barrier_se_eV", "barrier_low_eV",
    "barrier_high_eV", "decay_per_nm", "decades", "offset_pA", "noise_pA", "points", "from_nm", "to_nm",
    "reduced_chi2", "barrier_log_eV", "flags", "used",
)  # fmt: skip


INTERVAL = ("barrier_se_eV", "barrier_low_eV", "barrier_high_eV")
WITHHELD = {  # what is not said of a sweep with a flag
    "no tunnelling decay": ("barrier_eV", "decay_per_nm", "decay_se_per_nm", *INTERVAL),
    "steps too coarse": ("barrier_eV", "decay_per_nm", "decay_se_per_nm", *INTERVAL),
    "offset unknown": INTERVAL,
    "no interval": INTERVAL,
}


@dataclass(frozen=True, eq=False, repr=False)
class BarrierFit(Shown):
    """Fits of I = A exp(-2κz) + offset to the m sweeps of one set.

    Attributes
    ----------
    height : numpy.ndarray
        (n,) [m].
    current : numpy.ndarray
        (m, n) as measured, but for the lines of drifting offsets [A].
    fitted : numpy.ndarray
        (m, n) the fitted curve [A]; NaN where the fit failed.
    residual : numpy.ndarray
        (m, n) (measured - fitted)/standard deviation of the noise model; NaN where masked. Where the converter's steps are
        larger than the noise, of currents drawn from what each reading leaves open (`sts.barrier.coarse_steps`).
    used_points : numpy.ndarray
        (m, n) samples that entered the fit.
    why_masked : numpy.ndarray
        (m, n) number in `sts.barrier.masks.REASONS` of what masked a sample.
    fits : Fits
        Of the m sweeps, in SI.
    table : pandas.DataFrame
        SWEEP_COLUMNS, then columns beyond the contract.
    flags : pandas.DataFrame
        Rows (sweep, flag, detail).
    noise : pandas.DataFrame
        One row a tip: electronics_pA, shot_bandwidth_Hz, gap_percent.
    known : tuple[KnownOffset, ...]
        What else than these sweeps says where the zero of the current is.
    bends : pandas.DataFrame
        One row for each bend that the sweeps of a tip share (`sts.barrier.mean_residual.bend_rows`).
    line : numpy.ndarray, optional
        (m,) by which the zero of the current rises from the near to the far end of each ramp [A].
    """

    height: Array
    current: Array
    fitted: Array
    residual: NDArray[np.floating]
    used_points: Mask
    why_masked: NDArray[np.uint8]
    fits: Fits
    table: pd.DataFrame
    flags: pd.DataFrame
    noise: pd.DataFrame
    known: tuple[KnownOffset, ...] = ()
    bends: pd.DataFrame = field(default_factory=pd.DataFrame)
    line: Array | None = None

    def _words(self) -> str:
        used = self.table["used"].astype(bool)
        middle = self.table.loc[used, "barrier_eV"].median()
        return f"{len(self.table)} I(z) sweeps on {self.height.size} heights, {used.sum()} used; median {middle:.3g} eV"

    @property
    def offset(self) -> Array:
        """The fitted offset [A], shape (m,); NaN where the fit failed."""
        return self.fits.offset

    @property
    def lines(self) -> Array:
        """What a drifting offset adds to the current [A], shape (m, n): it is not in `current` and `fitted`."""
        u, _ = scaled_height(self.height)
        return np.zeros(self.current.shape) if self.line is None else self.line[:, None] * (u - 0.5)

    @property
    def signal(self) -> Array:
        """The fitted tunnelling current without its offset [A], shape (m, n)."""
        return self.fitted - self.offset[:, None]

    def of(self, rows: Any) -> BarrierFit:
        """The same of some sweeps; the flags stay those of all.

        Parameters
        ----------
        rows : index
            Positions (k,).
        """
        table = self.table.iloc[rows]
        arrays = {name: getattr(self, name)[rows] for name in
                  ("current", "fitted", "residual", "used_points", "why_masked")}  # fmt: skip
        line = None if self.line is None else self.line[rows]
        return replace(self, **arrays, fits=take(self.fits, rows), table=table, line=line)

    @property
    def deviation(self) -> Array:
        """Standard deviation of the readings about the fitted curve by the noise model [A], shape (m, n)."""
        rounding = self.fits.rounded[:, None] ** 2 / 12  # elsewhere it is in the noise
        return np.sqrt(self.fits.noise.variance(self.signal) + rounding)


def fit_barrier(sweeps: SweepSet, plan: Plan | None = None, *, confidence: float | None = None) -> BarrierFit:
    """Fit the apparent barrier height of every sweep of a set.

    Parameters
    ----------
    sweeps : SweepSet
        Of kind ``"iz"``: m sweeps on n heights.
    plan : Plan, optional
        Sections `barrier` and `check` are used.
    confidence : float, optional
        Of the intervals (0 to 1); that of the plan's section `compare` if not given.

    Returns
    -------
    BarrierFit
        A sweep that cannot be fitted has NaN and a flag; the others go on. The column `used` of its table is what the
        rules of the plan say; a person's decisions come later.

    Raises
    ------
    ValueError
        If the set is not of kind ``"iz"``.

    Notes
    -----
    φ = (ħ²/8m)(d ln I/dz)² (G. Binnig et al., Appl. Phys. Lett. 40, 178 (1982)), with the decay from a fit weighted by
    σ² = σ0² + 2eB|S| + (ηS)² (`sts.barrier.noise`; S is the fitted tunnelling current). The noise terms are pooled
    over the sweeps of one tip with the same full scale; each sweep's own scatter about its fit scales its interval (t
    with n - 3 degrees of freedom), and slow noise of the group widens it (`sts.barrier.slow_noise`). A plain log fit
    stands beside: over three decades at 1 % noise it reads 25 % low.

    Examples
    --------
    >>> import sts
    >>> from sts.simulate import Bench
    >>> bench = Bench(white_A=1e-12, gap_noise=0.01)
    >>> made = sts.simulate_iz(barrier_eV=4.4, sweeps=20, bench=bench, seed=1, tip="W")
    >>> table = sts.fit_barrier(made.sweeps).table
    >>> round(float(table["barrier_eV"].median()), 1)
    4.4
    >>> int(table["used"].sum())
    20
    """
    return fit_together([sweeps], plan, confidence=confidence)[0]


def fit_together(
    sets: Sequence[SweepSet],
    plan: Plan | None = None,
    known: Sequence[KnownOffset] = (),
    *,
    confidence: float | None = None,
) -> list[BarrierFit]:
    """Fit the I(z) sets of one bench and day, which share the zero of the current.

    Parameters
    ----------
    sets : sequence of SweepSet
        Of kind ``"iz"``.
    plan : Plan, optional
    known : sequence of KnownOffset
        What else says where the zero of the current is.
    confidence : float, optional
        As for `fit_barrier`.

    Raises
    ------
    ValueError
        If a set is not of kind ``"iz"``.
    """
    if any(sweeps.kind != "iz" for sweeps in sets):
        raise ValueError("fit_barrier needs I(z) sweeps (kind 'iz'); these are I(V) sweeps. Use average_spectrum.")
    settings = plan or Plan()
    level = confidence or settings.compare.confidence
    batches = fit_batches(sets, settings.barrier, known)
    return [replace(_result(batch, settings, level), known=tuple(known)) for batch in batches]


def _result(batch: Batch, plan: Plan, confidence: float) -> BarrierFit:
    names, table = batch.sweeps.names, sweep_rows(batch, confidence)
    bends = find_bends(
        batch.sweeps, batch.masks, batch.noise, batch.fits, batch.residual, lags=batch.lags, humps=batch.humps
    )
    bends = tuple(
        bend for bend in bends if (batch.bent.moved[bend.rows] < 0).all()
    )  # the piezo's have a flag of their own
    flags = sweep_flags(batch, plan.barrier, confidence, bends)
    for flag, columns in WITHHELD.items():
        table.loc[table["sweep"].isin(flags.loc[flags["flag"] == flag, "sweep"]), list(columns)] = np.nan
    place = list(table.columns).index("barrier_log_eV") + 1
    table.insert(place, "flags", flags_of(names, flags))
    chosen = select(names, flags, rules=plan.check.omit)["used"].to_numpy(bool)
    table.insert(place + 1, "used", chosen & batch.fits.good)
    return BarrierFit(
        height=batch.sweeps.axis,
        current=batch.measured,
        fitted=batch.fitted,
        residual=batch.residual,
        used_points=batch.masks.usable,
        why_masked=batch.masks.why,
        fits=batch.fits,
        table=table,
        flags=flags,
        noise=noise_rows(batch),
        bends=bend_rows(batch.sweeps, bends),
        line=batch.bent.line,
    )
