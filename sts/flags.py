"""The flags: every reason to doubt a sweep or a result, with what it means and what to do about it.

One list for the whole toolkit, so that the terminal, the tables, the report and the docs use the same words.

Examples
--------
>>> sts.FLAGS["saturated"].remedy
'they are masked; lower the set-point current or the gain'
>>> "jump" in [name for name, flag in sts.FLAGS.items() if flag.grave]
True
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class Flag:
    """One kind of doubt. `grave` flags leave a sweep out by rule (plan key `check.omit` decides)."""

    name: str
    meaning: str
    remedy: str
    grave: bool = False


_ALL = [
    # Any sweep
    Flag("saturated", "samples sit at the limit of the amplifier or converter",
         "they are masked; lower the set-point current or the gain"),
    Flag("all saturated", "no usable sample is left", "lower the gain and measure again", grave=True),
    Flag("jump", "the current steps within the sweep: the tip or the sample changed",
         "omit the sweep; look at the sweeps after it", grave=True),
    Flag("outlier", "the sweep lies far from the others of its group",
         "look at it; the tip may have changed before it", grave=True),
    Flag("noisy", "the noise of the sweep is many times that of the others of its group",
         "look for its cause (a bad contact, a knock, a pump); repeat the sweep", grave=True),
    Flag("dead channel", "the current depends on neither bias nor height: nothing was measured, or all of it lies in a gap",
         "check cable, amplifier and which channel was saved", grave=True),
    Flag("coarse steps", "the converter's step (or the rounding of the file) is larger than the noise",
         "use a higher gain, or write more digits; a reading is taken for the interval it stands for, and intervals are wider"),
    Flag("too few points", "not enough usable samples", "record more points per sweep", grave=True),
    # I(V), and I(z)
    Flag("settling", "the bench had not come to rest when the sweep began: the current of an I(V) sweep relaxes in time, at "
         "whatever bias it starts; the first samples of an I(z) ramp still stand at the set-point",
         "these samples are masked; wait after opening the feedback, then start the sweep"),
    # I(V)
    Flag("set-point", "the current at the set-point bias is not the set-point current",
         "check the units; else the gap had moved before the sweep"),
    Flag("no return", "the current does not come back to where the ramp began",
         "drift, a tip change or charging; compare up and down"),
    Flag("tip change", "the level of the sweeps steps here", "average the sweeps before and after it separately"),
    Flag("trend", "the current changes steadily from sweep to sweep", "let the scanner settle; use the geometric mean"),
    Flag("skewed", "the mean lies above the median: the gap scatters", "use the geometric mean or the median"),
    Flag("no band", "one repeat only: the band comes from its noise from point to point and misses all slow noise",
         "repeat the sweep"),
    Flag("few repeats", "too few repeats to choose the smoothing from", "record at least 3, better 10"),
    Flag("few sites", "sites or tips are too few for their scatter to be known", "measure at 3 or more sites"),
    Flag("one direction", "displacement current and lag do not cancel", "record up and down sweeps"),
    Flag("ripple", "a line of constant period in time runs through the sweep: mains or a vibration",
         "find its source (ground loop, pump, table); its phase differs from sweep to sweep, so that more sweeps average it out"),
    Flag("holes", "at some points samples are missing, in some sweeps or in all",
         "where all miss one the point is left out, else the band is wider there; look at the export"),
    Flag("offsets not separable", "bias and current offset cannot be told apart",
         "record three set-points or a retracted trace"),
    # Spectra
    Flag("narrower than resolution", "a feature is no wider than the energy resolution",
         "it is not resolved: cool, modulate less or smooth less before its width is quoted"),
    Flag("smoothing shows", "smoothing moves dI/dV by more than its band, which is of dI/dV as smoothed",
         "read that place from the second band (didv_unsmoothed_low_S, ..._high_S), or record more sweeps: they are smoothed less"),
    Flag("too steep", "dI/dV rises faster than a decade per kT ln10/e, which an ungapped tip cannot show",
         "check the temperature, the offset and the bias scale; a step of the tip?"),
    Flag("lock-in mismatch", "the lock-in channel and the numerical derivative differ in gain",
         "check sensitivity, amplitude (rms, peak or peak-to-peak) and phase; dI/dV is on the scale of the current either way"),
    Flag("poor fit", "the model does not describe the spectrum", "do not quote its parameters"),
    Flag("fit refused", "no fit of a model that was asked for could be had, which says nothing against the model",
         "its reason says what is missing"),
    Flag("varying gap", "the sweeps were taken at a varying gap", "the height axis of dI/dV rests on the decay used"),
    Flag("gap may vary", "the current falls towards both ends of the sweep, as where the tip is drawn back while |V| rises",
         "if it was, state gap_slope_A_per_V in the plan (if that is stated: is it, or the decay, too small?); else a resonance "
         "on either side"),
    # I(z)
    Flag("no tunnelling decay", "the current falls over many nanometres: nothing tunnels over such a distance",
         "look for a water film, a contact or leakage, and at the unit of the height; it has no barrier", grave=True),
    Flag("offset unknown", "less than a decade of current, and nothing says where its zero is: no interval can be given",
         "record one trace with the tip withdrawn, or state the zero in the plan (barrier.offset_pA)"),
    Flag("no interval", "the noise of the sweeps of this tip does not say how uncertain the slope is",
         "look at the residuals; record more points a ramp, or repeat it"),
    Flag("steps too coarse", "the converter's steps are so large that the readings do not say how the current decays",
         "use a higher gain, or write more digits; it has no barrier", grave=True),
    Flag("contact", "samples near contact, where the current no longer decays as a tunnelling current",
         "they are masked; start the ramp further out"),
    Flag("fit failed", "no exponential describes the sweep", "look at it; omit it if the tip touched", grave=True),
    Flag("poor fit", "the sweep misses the curve by far more than the others of its tip",
         "a jump that a filter blurred, or a touch; look at it", grave=True),
    Flag("wrong sign", "the current grows with height",
         "if the file counts height towards the surface, import it with height_sign = -1 in the recipe", grave=True),
    Flag("negative current", "the current is negative throughout", "check the amplifier's sign; import with current_sign = -1"),
    Flag("hump", "the current is lifted or lowered for part of the ramp and comes back: a knock, or a slow movement",
         "it is masked; let the bench come to rest, and repeat the ramp"),
    Flag("plateau", "ln I stops falling over part of the range: contact, a film, or an offset that drifts",
         "compare with the other direction; ramp from further out"),
    Flag("two slopes", "ln I falls with two different slopes", "a double tip or a soft film; try another site"),
    Flag("curved", "ln I is not straight",
         "drift, creep, a compliant gap or an amplifier that lags; wait longer before the ramp, record both directions"),
    Flag("common bend",
         "all sweeps of the tip bend alike, which noise does not do: an image force at small gap, a film, or an amplifier that "
         "saturates or switches its range",
         "fit where it is straight (fit_from_nm in the plan); repeat at a smaller current, which tells the amplifier from the gap"),
    Flag("few decades", "less than one decade of current above the noise", "ramp further, or start at a higher current"),
    Flag("low barrier", "below 1 eV: not a work function; possible reasons: water film or compliant surface (both usual in air), "
         "contaminated gap",
         "compare tips, not metals; quote it as an apparent barrier only"),
    Flag("high barrier", "above 6 eV, more than any clean metal", "check the height calibration and the current offset"),
    Flag("high bias",
         "the bias tilts the barrier, which then reads low: by little where densities of states are level (0.16 eV at 1 V), by up "
         "to half the bias where states at one end of the window carry all of the current", "use 0.1 V or less for I(z)"),
    Flag("slow noise", "the residuals are correlated (1/f noise of the gap)",
         "the interval was widened; repeat ramps, faster, and let the scatter between them decide"),
    Flag("offset drift", "the zero of the current moves steadily during every ramp: it bends retract and approach at the far end, "
         "one up and one down",
         "it was taken out, and the interval allows for that; let the amplifier warm up, and ramp faster"),
    Flag("hysteresis", "retract and approach are bent against each other over the whole ramp, as by hysteresis of the piezo",
         "the mean of both directions is free of it, the interval of one allows for it; use repeats with both"),
    Flag("creep", "retract and approach are bent at their starts, as by a piezo that is still moving when the ramp begins",
         "the interval allows for it, as the mean of both directions is not free of it; wait longer before each ramp"),
    Flag("lag", "the start of the retract ramp is flattened as by an amplifier that lags (or a feedback that lets go late)",
         "the start was masked; ramp more slowly"),
    Flag("too much lag", "the amplifier lags over most of the retract ramp: no slope can be read from it",
         "the approach sweep is right; ramp more slowly", grave=True),
    Flag("mixed biases", "sweeps of one site were taken at different biases", "compare like with like"),
    Flag("after a change", "the barrier of the tip, seen in its I(z) sweeps in order of measurement, changed before this sweep",
         "look at the sweeps around it; keep what came before and after as two states in the logbook, and image again"),
    Flag("repeats run away", "the barrier of a site rises or falls from one repeat to the next, far beyond its noise",
         "the scanner creeps, or tip or place change as they are measured: wait, image again, and repeat the site"),
    Flag("directions disagree", "retract and approach differ by more than their uncertainty",
         "drift, unless a lag is flagged: the mean of both cancels it; ramp faster"),
]  # fmt: skip

FLAGS: dict[str, Flag] = {flag.name: flag for flag in _ALL}

COLUMNS = ["sweep", "flag", "detail", "times_limit"]
PLACE = ["first", "last", "size"]  # from and to along the axis [V, or m from the near end]; along the current [A]
NOWHERE = (np.nan, np.nan, np.nan)
_NONE = pd.DataFrame(
    {c: pd.Series(dtype=float if c in ("times_limit", *PLACE) else object) for c in [*COLUMNS, *PLACE]}
)


def flag_rows(
    sweeps: Sequence[str],
    mask: Iterable[bool] | np.ndarray,
    flag: str,
    details: Sequence[str] | Callable[[int], str] | str,
    *,
    times_limit: Sequence[float] | np.ndarray | None = None,
    place: tuple[Any, Any, Any] = NOWHERE,
) -> pd.DataFrame:
    """Rows (sweep, flag, detail, times_limit, and where it sits) for the sweeps where a mask is true.

    Parameters
    ----------
    sweeps : sequence of str, length m
        Names.
    mask : array_like of bool, shape (m,)
    flag : str
        Key of `FLAGS`.
    details : str, sequence of str of length m, or callable(int)
        The size of the trouble in plain words and units: one sentence for all, one per sweep, or what makes that of a sweep by
        its place, asked only where the mask is true.
    times_limit : array_like, shape (m,), optional
        The same as a number: how many times its limit the size is, from 1 on (factors by their logarithms). NaN where there
        is no limit to be near to.
    place : three of float or array_like, shape (m,)
        Where it sits: from and to along the axis (bias [V], or height from the near end of the sweep [m]), and a size
        along the current [A]; NaN for what does not apply.

    Raises
    ------
    KeyError
        If there is no such flag.
    """
    if flag not in FLAGS:
        raise KeyError(f"'{flag}' is not a flag; add it to sts/flags.py with its meaning and remedy.")
    where = np.flatnonzero(np.asarray(mask, bool)).tolist()
    if not where:
        return no_flags()
    texts = [details if isinstance(details, str) else details(i) if callable(details) else details[i] for i in where]
    sizes = np.full(len(where), np.nan) if times_limit is None else np.asarray(times_limit, float)[where]
    sits = {name: np.broadcast_to(np.asarray(value, float), (len(sweeps),))[where]
            for name, value in zip(PLACE, place, strict=True)}  # fmt: skip
    rows = {"sweep": [sweeps[i] for i in where], "flag": flag, "detail": texts, "times_limit": sizes, **sits}
    return pd.DataFrame(rows, columns=[*COLUMNS, *PLACE])


def no_flags() -> pd.DataFrame:
    """An empty table of flags."""
    return _NONE.copy()


def join_flags(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """One table of flags from several, in order, without repeats.

    Parameters
    ----------
    parts : sequence of pandas.DataFrame
    """
    filled = [part for part in parts if len(part)]
    if not filled:
        return no_flags()
    return pd.concat(filled, ignore_index=True).drop_duplicates(["sweep", "flag"], ignore_index=True)


def flags_of(sweeps: Sequence[str], rows: pd.DataFrame, *, column: str = "flag") -> list[str]:
    """The flags of each sweep, joined by ``;``.

    Parameters
    ----------
    sweeps : sequence of str, length m
        Names; the result is in their order.
    rows : pandas.DataFrame
        Rows (sweep, flag, detail), of these and other sweeps.
    column : str
        ``"flag"``, or ``"detail"`` for the details.
    """
    found: dict[str, list[str]] = {}
    for sweep, text in zip(rows["sweep"], rows[column], strict=True):
        found.setdefault(sweep, []).append(text)
    return [";".join(found.get(sweep, [])) for sweep in sweeps]
