"""Figures with their captions: title, finding, and how to read each kind (good and bad, what to do about bad)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from matplotlib.axes import Axes


@dataclass(frozen=True)
class Reading:
    """Three short lines under a figure, and the section of the page that it stands in."""

    section: str  # "session", "barrier", "tips", "spectra"
    shows: str
    good: str
    remedy: str


READING = {
    "barrier_by_tip": Reading(
        "tips",
        "Every sweep as a dot, each site's mean as an open mark, each tip's mean with its interval, if any; counts beside.",
        "Good: sites of a tip agree within about 5 %. Bad: sites far apart, or a mean below 1 eV.",
        "Far apart: more sites, and look whether the tip changed between them. Below 1 eV: clean tip and sample.",
    ),
    "tip_pairs": Reading(
        "tips",
        "The ratio of the barriers of two tips with intervals that hold for all pairs together; 1 means equal.",
        "An interval that leaves out 1 shows a difference. One that holds 1 shows none: it does not prove equality.",
        "Wide intervals: more sites per tip. An error of the height scale cancels here, so calibration changes nothing.",
    ),
    "changes": Reading(
        "tips",
        "Above, each tip's barrier in each state; below, the ratio of the two. What sites differ by cancels in the ratio only.",
        "An interval that leaves out 1 shows a change. One that holds 1 shows none: it does not prove that nothing changed.",
        "Wide intervals: come back to the same sites, and to more of them. Several tips tell more of a treatment than one.",
    ),
    "tip_days": Reading(
        "days",
        "The barrier of a tip on each of its days, and between which limits (grey) each day was expected from the days before.",
        "Good: days within their limits. A square lies outside: the tip, the sample or the height scale changed before that day.",
        "Look at the sweeps of that day, and at other tips of the same day: if all moved, it was not the tip.",
    ),
    "window": Reading(
        "barrier",
        "The median barrier of each tip when the near part of the sweep is cut away; the band is the middle half.",
        "Good: level. Bad: a slope; then the number depends on where the fit begins.",
        "A slope comes from an offset, contact, or a gap that is compressed: look at the residuals and at φ(z).",
    ),
    "trend": Reading(
        "barrier",
        "The barrier of each sweep against its number, from the median of its tip (in the legend); open: left out.",
        "Good: level within a tip. Bad: a slope (drift, a tip that gets dirty) or a step (the tip changed).",
        "A step: treat the parts as two tips. A slope: wait longer after approach, or measure tips in mixed order.",
    ),
    "iz_tips": Reading(
        "barrier",
        "One sweep of each tip (that with the middle barrier), offset removed, as a share of its current at the near end.",
        "Good: straight lines; the steeper, the higher the barrier. Bad: bent lines, or one that is far less steep.",
        "Less steep than the others: clean that tip, or look whether it touched. Bent: look at its fits and at φ(z).",
    ),
    "histogram": Reading(
        "barrier",
        "How many sweeps of each tip gave which barrier, stacked by site.",
        "Good: one hill that all sites share. Bad: sites side by side, two hills, or a tail.",
        "Sites apart: the tip or the place differs, measure more sites. A tail: look at these sweeps one by one.",
    ),
    "map": Reading(
        "session",
        "Where the sites lie on the sample, by tip, with the mean barrier of each.",
        "Good: barriers that do not go with the place. Bad: neighbours alike and far sites different.",
        "A trend along the sample: a tilt, an edge or a step; mix the order of places.",
    ),
    "noise": Reading(
        "session",
        "Density of the noise of the current against frequency, from what I(V) repeats leave about their mean.",
        "Good: level, or rising slowly to low frequencies. Bad: a line that stands out.",
        "A line at 50 or 60 Hz or a multiple: mains. Elsewhere: vibration, a pump, a fan. Its sweeps are flagged as ripple.",
    ),
    "iz_fits": Reading(
        "barrier",
        "A sweep of each of up to three sites (with the middle barrier of those on one axis), without offset. Below: what is left.",
        "Good: straight lines; residuals around zero, one in 20 beyond the dashed lines. Bad: waves or steps.",
        "Waves: drift, creep or a soft film. A step: the tip changed; the sweep should be left out.",
    ),
    "local_barrier": Reading(
        "barrier",
        "The barrier from the local slope of ln I, of the sweep with the middle barrier of each tip, with its band.",
        "Good: level within the band. Bad: falling towards contact, or rising where the noise begins.",
        "Falling near contact: start the sweep further out. Wide bands far out: the current is lost in noise.",
    ),
    "setpoints": Reading(
        "spectra",
        "The normalised conductance of each group, and below the gap of each, if one is found.",
        "Good: curves and gaps agree within bands. Bad: a gap that widens at smaller distance (larger set-point).",
        "A trend tells of band bending by the tip or of an offset: extrapolate, and say so, or use less current.",
    ),
    "each_sweep": Reading(
        "spectra",
        "What each sweep shows alone (dots), each site's mean with its interval, and below what the averaged spectrum says.",
        "Good: sites within each other's intervals. Bad: sites apart by more: the average then belongs to no place.",
        "Apart: average site by site (spectra.by with site), say how far they differ, and measure more sites.",
    ),
    "together": Reading(
        "spectra",
        "Chosen spectra on one axis, each with its band; how many sweeps each has stands in the summary.",
        "Good: they differ by more than their bands, or agree within them. Bad: different ranges or resolutions.",
        "Other set-points or tips scale dI/dV: compare (dI/dV)/(I/V), or sweeps at one set-point.",
    ),
    "didv": Reading(
        "spectra",
        "Each sweep's derivative, their average and its band, of dI/dV as smoothed; the methods say whose scatter makes it.",
        "Good: thin band, sweeps side by side. Bad: sweeps apart, or features below the resolution bar.",
        "Apart: the gap differed between sweeps; use the geometric mean or scale to the set-point. Narrow: not real.",
    ),
    "normalised": Reading(
        "spectra",
        "Conductance divided by I/V where the shaded part ends; divided by broadened I/V (dash-dotted) through the gap.",
        "The plain form is 1 at zero bias by construction. Heights of the broadened form depend on its width; zeros do not.",
        "Large shaded part: measure the offsets (three set-points, or a sweep with the tip drawn back).",
    ),
    "model": Reading(
        "spectra",
        "The mean dI/dV with the line shape fitted to it; below, what is left over in standard uncertainties.",
        "Good: residuals around zero, nearly all within ±2. Bad: waves, or a verdict that is not good.",
        "Bad: another line shape, or a smaller range of bias. Do not quote parameters of a poor fit.",
    ),
    "lockin": Reading(
        "spectra",
        "The lock-in channel and the numerical dI/dV of the same sweeps, smoothed alike; below, their difference.",
        "Good: one line within the band of the other. Bad: apart by a factor (gain) or a constant (zero of the lock-in).",
        "Apart: check sensitivity, amplitude (rms or peak), phase and zero of the lock-in, and the gain of the amplifier.",
    ),
    "directions": Reading(
        "spectra",
        "Half the difference between upward and downward sweeps, with the model that splits it into causes.",
        "Constant: displacement current. Like dI/dV: the amplifier lags. Like the current itself: the gap drifts.",
        "Ramp slower against displacement and lag, wait longer against drift; the mean of both cancels them.",
    ),
    "smoothing": Reading(
        "spectra",
        "How well the other sweeps predict the one left out, against the energy width of the smoothing.",
        "Good: a clear valley. Bad: flat (noise decides little) or falling to an edge (too few widths or sweeps).",
        "Flat: any width there serves, say which. At an edge: more sweeps, or set the width in the plan.",
    ),
    "timeline": Reading(
        "session",
        "Sweeps in the order that the axis names, one row per tip and kind; crosses were left out.",
        "Good: crosses scattered. Bad: crosses in a row (something happened then), tips measured in blocks.",
        "In a row: look in the logbook for that time. Blocks: mix the order, so that drift is not taken for a tip.",
    ),
    "sweeps": Reading(
        "session",
        "Every sweep of one tip as it was recorded, coloured by site; those left out dashed and black.",
        "Good: kept sweeps side by side. Bad: a kept sweep far from the others, or many left out.",
        "Look at the reasons in the table of sweeps; keep or omit by hand with a reason where the rules are wrong.",
    ),
}


HOW_MADE = (
    "histogram",
    "map",
    "noise",
    "window",
    "local_barrier",
    "trend",
    "directions",
    "smoothing",
    "sweeps",
)  # kinds that only a reader of methods wants


@dataclass(frozen=True, eq=False)
class Picture:
    """One figure of the report."""

    kind: str  # of `READING`
    name: str  # of its files
    title: str
    finding: str  # one sentence: the alternative text
    plot: Callable[..., object]  # given `ax`, or `axes` where `rows` are named; can go to another process
    width: str = ""  # the plan's, if empty
    height_in: float = 2.6
    rows: tuple[float, ...] = ()  # relative heights of several axes
    share: bool = True
    lead: bool = False  # stands on the first screen
    folded: bool = False  # another figure shows the same at a glance
    beside: str | None = None  # what stands under it, where a table beside it says the rest

    @property
    def caption(self) -> str:
        """What stands under it."""
        return self.finding if self.beside is None else self.beside

    @property
    def reading(self) -> Reading:
        """How to read it."""
        return READING[self.kind]

    @property
    def section(self) -> str:
        """Of the page: the first screen, the section of its kind, or that of how the numbers were made."""
        return "lead" if self.lead else "made" if self.folded or self.kind in HOW_MADE else self.reading.section

    def draw(self, axes: list[Axes]) -> None:
        """Draw it.

        Parameters
        ----------
        axes : list of matplotlib.axes.Axes
            As many as `rows`, or one.
        """
        self.plot(axes=axes) if self.rows else self.plot(ax=axes[0])
