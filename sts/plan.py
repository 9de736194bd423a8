"""The plan: every setting of an analysis, as strict models with defaults.

A plan that is written out holds the defaults too, so that the same session and plan give the same numbers again.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, StringConstraints, ValidationInfo, field_validator, model_validator
from pydantic_core import PydanticCustomError

from .flags import FLAGS
from .settings import Section, read_toml


class CheckPlan(Section):
    """How sweeps are judged."""

    outlier_cut: float = Field(3.0, gt=0, description="robust distance of ln|I| from the group's median, in scaled MAD")
    jump_factor: float = Field(1.2, gt=1, description="smallest factor by which the current steps in a jump")
    setpoint_tolerance: float = Field(
        0.3, gt=0, description="relative deviation of the current at the set-point bias that is flagged"
    )
    fewest_points: int = Field(11, ge=4, description="usable samples below which an I(V) sweep is left out")
    omit: list[str] = Field(
        default=[
            "jump",
            "outlier",
            "noisy",
            "all saturated",
            "dead channel",
            "too few points",
            "fit failed",
            "poor fit",
            "wrong sign",
            "too much lag",
            "steps too coarse",
        ],
        description="flags that leave a sweep out of averages and fits (a person's decision always wins)",
    )

    @field_validator("omit")
    @classmethod
    def _flags_there_are(cls, names: list[str]) -> list[str]:
        unknown = [name for name in names if name not in FLAGS]
        if unknown:
            raise PydanticCustomError(
                "flag", "no flag '{name}'; there are {all}", {"name": unknown[0], "all": ", ".join(FLAGS)}
            )
        return names


class SpectraPlan(Section):
    """From I(V) to dI/dV and (dI/dV)/(I/V)."""

    by: list[str] = Field(
        default=["sample", "tip", "setpoint_current_A"], description="columns that define a group of sweeps"
    )
    average: Literal["mean", "median", "geometric"] = Field("mean", description="average over sweeps")
    replicates: Literal["auto", "repeat", "site", "tip"] = Field(
        "auto",
        description="whose scatter makes the bands; auto: tips if 3 or more are in a group, else sites, else repeats",
    )
    scale_to_setpoint: bool = Field(
        False, description="bring every sweep to its set-point current at the set-point bias before averaging"
    )
    axis: Literal["own", "common"] = Field("own", description=(
        "of a group with different bias axes: one spectrum for each, or one on the coarsest, which broadens it"))  # fmt: skip
    offsets: Literal["remove", "keep"] = Field("remove", description="what to do with the offsets that were found")
    didv_from: Literal["auto", "current", "lock-in"] = Field(
        "auto", description="channel that dI/dV comes from; auto: the lock-in's, calibrated, where its band is narrower"
    )
    smoothing: Literal["local polynomial", "gaussian", "penalised"] = Field(
        "local polynomial", description="linear operator that smooths and differentiates"
    )
    order: int = Field(2, ge=1, le=4, description="order of the local polynomial")
    smoothing_width_V: float | None = Field(
        None, gt=0, description="energy width (full width at half height); not set: chosen by leaving one sweep out"
    )
    normalise: Literal["plain", "exponential", "gaussian", "root"] = Field(
        "plain", description="denominator I/V: as it is, broadened by a kernel, or with a floor, sqrt((I/V)^2 + c^2)"
    )
    broadening_V: float | None = Field(None, gt=0, description=(
        "width: decay of the exponential, full width at half height of the Gaussian"))  # fmt: skip
    floor_S: float | None = Field(None, gt=0, description="c of the form with a floor")
    beside: Literal["exponential", "gaussian", "none"] = Field(
        "exponential",
        description="kernel of the broadened I/V whose quotient stands beside the plain one; its width is broadening_V, or "
        "if not set half of the stretch where the plain one is not trusted (of a Gaussian, all of it)",
    )
    gap_slope_A_per_V: float | None = Field(
        None, gt=0, description="by how many ångström the gap was wider per volt of |V|, for sweeps at a varying gap"
    )
    decay_per_nm: float | None = Field(
        None, gt=0, description="|d ln I/dz| for those sweeps; not set: from the session's I(z) at the same site"
    )
    decay_se_per_nm: float = Field(0.0, ge=0, description="its standard uncertainty")
    decay_bias_V: float = Field(0.0, description="bias at which decay_per_nm was measured")
    seed: int = Field(1, ge=0, description="of every resampling, so that the same plan gives the same numbers")


class FeaturesPlan(Section):
    """Gaps, peaks and line shapes of the averaged spectra."""

    gap: bool = Field(True, description="look for a gap around zero bias")
    exponent: float | None = Field(None, ge=0, le=4, description="p of bands, (|V| - edge)^p; not set: data choose")
    peaks: bool = Field(True, description="make a table of peaks")
    peak_significance: float = Field(6.0, gt=0, description="prominence a peak needs, in standard errors")
    lockin_tolerance: float = Field(0.01, ge=0, description="a lock-in gain off by less than this is called agreement")
    superconductor: bool = Field(
        False, description="fit a broadened superconducting gap, where dI/dV has a dip with shoulders at zero bias"
    )
    superconductor_below_K: float = Field(20.0, gt=0, description="temperature above which none is tried")
    fit_temperature: bool = Field(False, description="let that fit find the temperature too")
    resonance: bool = Field(False, description="fit a resonance that interferes with a continuum (Fano)")
    inelastic_step: bool = Field(False, description="fit a pair of thermally broadened inelastic steps")


class BarrierPlan(Section):
    """From I(z) to apparent barrier heights."""

    contact_conductance_G0: float = Field(
        0.1, gt=0, description="samples above this conductance, in units of 2e^2/h, are near contact and masked"
    )
    settling_points: int = Field(0, ge=0, description="samples masked at the start of every ramp")
    fit_from_nm: float | None = Field(
        None,
        ge=0,
        description="heights below this, from the near end of the ramp, are masked; not set: the rules alone decide",
    )
    fit_to_nm: float | None = Field(None, gt=0, description="heights above this are masked")
    offset_pA: float | None = Field(
        None, description="zero of the current where it was measured otherwise; not set: found from the sweeps"
    )
    offset_se_pA: float = Field(1.0, gt=0, description="its standard uncertainty")
    slowest_decay_per_nm: float = Field(
        1.0, ge=0, description="|d ln I/dz| below this is no tunnelling decay: such a sweep has no barrier"
    )
    hysteresis_percent: float = Field(1.0, ge=0, le=30, description=(
        "width of the piezo's loop, as a share of the ramp, that intervals allow for where one direction was recorded and no "
        "other sweeps of the bench that day show it; 1 %: common practice, no source; 0: none"))  # fmt: skip
    height_modulation_pm: float = Field(
        0.0, ge=0, description="rms amplitude of the height behind a lock-in channel of I(z) in amperes; 0: not stated"
    )
    correct: list[Literal["image force", "bias"]] = Field(
        default=[], description="model corrections stated beside the apparent barrier, which stays as it is"
    )
    gap_nm: float = Field(
        0.8, gt=0.3, description="width of the gap, assumed: sizes of image force and bias are for it"
    )
    curvature: float = Field(0.15, gt=0, description="relative change of slope from which a sweep is called curved")
    low_eV: float = Field(1.0, ge=0, description="below this a barrier is flagged: not a work function")
    high_eV: float = Field(6.0, gt=0, description="above this a barrier is flagged: check the height scale")
    high_bias_V: float = Field(0.2, gt=0, description="above this bias a barrier is flagged as read low")

    @field_validator("fit_to_nm")
    @classmethod
    def _window_is_open(cls, last: float | None, info: ValidationInfo) -> float | None:
        first = info.data.get("fit_from_nm")
        if last is not None and first is not None and last <= first:
            raise PydanticCustomError("window", "must be above fit_from_nm = {first}", {"first": first})
        return last


class ComparePlan(Section):
    """From sweeps to sites, tips and groups."""

    confidence: float = Field(0.95, gt=0.5, lt=1, description="level of every interval")
    by: str = Field("tip", min_length=1, description="compare tips, or groups of tips by this logbook column")
    average: Literal["mean", "geometric mean"] = Field(
        "mean",
        description="barrier of the mean slope 2κ over repeats and sites, or of their geometric mean: that of the typical site "
        "where slopes scatter by a factor, as in air",
    )
    height_scale_percent: float = Field(
        5.0,
        ge=0,
        description="standard uncertainty of an uncalibrated height scale, where tips of two benches are compared",
    )
    piezo_percent_per_K: float = Field(0.3, ge=0, description=(
        "what a kelvin between calibration and sweeps adds to the uncertainty of the height scale, in %; "
        "common practice, no source"))  # fmt: skip


class VerdictPlan(Section):
    """When a tip is called good; limits are common practice, no source."""

    sites: int = Field(2, ge=1, description="sites a verdict needs")
    sweeps: int = Field(4, ge=1, description="sweeps a verdict needs")
    lost_care: float = Field(
        0.2, ge=0, le=1, description="share of sweeps left out above which a tip is used with care"
    )
    lost_refuse: float = Field(0.5, ge=0, le=1, description="share of sweeps left out above which a tip is not used")
    jumps_care: float = Field(
        0.2, ge=0, le=1, description="share of sweeps with a jump above which it is used with care"
    )
    ratio_care: float = Field(
        0.8,
        gt=0,
        le=1,
        description="with care if shown to read less than this share of half of the other tips' barriers",
    )
    ratio_refuse: float = Field(0.5, gt=0, le=1, description="not used if shown to read less than this share of them")
    noise_care: float = Field(2.0, gt=1, description="noise above this multiple of the other tips' noise: with care")
    scatter_care: float = Field(
        0.3, gt=0, description="scatter between sites, as a share of the barrier, above it: with care"
    )
    width_care: float = Field(
        0.3, gt=0, description="half width of the interval, as a share of the barrier, above it: with care"
    )
    bend_care: float = Field(
        0.01,
        ge=0,
        description="bend that its sweeps share, as a share of the barrier, above it: with care, and only from its straight window",
    )
    directions_care: float = Field(
        0.5,
        ge=0,
        le=1,
        description="share of retract and approach pairs that disagree above which it is used with care",
    )


class RecordPlan(Section):
    """The record of tips over days (`sts tips`)."""

    false_alarm: float = Field(
        0.01, gt=0, le=0.2, description="chance that a day of an unchanged tip is called changed"
    )
    telling_factor: float = Field(
        1.5,
        gt=1,
        description="a tip is called 'as it was' only where a barrier that rose or fell by this factor would have been seen",
    )


class ReportPlan(Section):
    """The page."""

    title: str = Field("Scanning tunnelling spectroscopy: results", description="heading of the page")
    author: str = Field("", description="who made it; printed if given")
    figure_width: Literal["single", "double"] = Field("single", description="columns of a journal page (85 or 178 mm)")
    figure_width_mm: float | None = Field(
        None,
        ge=30,
        le=400,
        description="width of those figures where a journal asks for another; not set: that of figure_width",
    )
    figure_formats: list[Literal["svg", "png", "pdf"]] = Field(
        ["svg"], description="files of each figure, beside its numbers as CSV"
    )
    decimal: Literal["point", "comma"] = Field(
        "point", description="decimal mark of the wide tables of spectra (spectra/*.csv); comma: with semicolons"
    )
    facts: dict[Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-]+$")], str] = Field(
        default={},
        description="circumstances that no file records, by item of the checklist, as { environment = 'air, 45 % RH' }",
    )

    @property
    def width(self) -> str | float:
        """Width of figures: a column of a page by its name, or mm."""
        return self.figure_width_mm or self.figure_width


Key = Annotated[str, StringConstraints(pattern=r"^([!-~]|ArrowUp|ArrowDown|ArrowLeft|ArrowRight|Enter|Delete|F[1-9])$")]


class ReviewPlan(Section):
    """Keys of the review page, and whose decisions they are."""

    keep: Key = Field("k", description="keep the sweep that is open, or those that are ticked")
    omit: Key = Field("x", description="leave it out, with the reason that is chosen or written")
    undo: Key = Field("u", description="take the last decision on it back")
    following: Key = Field("j", description="go on to the next sweep of the list")
    previous: Key = Field("h", description="go back to the one before")
    site: Key = Field("s", description="show all sweeps of its site, or put them away")
    by: str | None = Field(
        None, description='who decides; if not set, the name of the account; "": not recorded', max_length=200
    )

    @model_validator(mode="after")
    def _each_once(self) -> ReviewPlan:
        keys = [getattr(self, name) for name in type(self).model_fields if name != "by"]
        twice = [key for key in keys if keys.count(key) > 1]
        if twice:
            raise PydanticCustomError(
                "keys", "the key '{key}' stands for two things; give each its own", {"key": twice[0]}
            )
        return self


class Plan(Section):
    """All settings of an analysis; what is not named stays at its default, and what is printed is what was changed.

    Raises
    ------
    PlanError
        If a key is unknown or a value does not fit; the text names the key, what came and what is allowed.

    Examples
    --------
    >>> plan = sts.Plan(spectra={"by": ["sample", "tip"]}, compare={"confidence": 0.9})
    >>> plan
    Plan(spectra={'by': ['sample', 'tip']}, compare={'confidence': 0.9})
    >>> plan.compare.confidence, plan.check.jump_factor
    (0.9, 1.2)
    >>> sts.Plan(compare={"confidense": 0.9})
    Traceback (most recent call last):
        ...
    sts.settings.PlanError: Plan: unknown key 'compare.confidense'; perhaps confidence is meant. Known here: average,
    by, confidence, height_scale_percent, piezo_percent_per_K.
    """

    check: CheckPlan = CheckPlan()
    spectra: SpectraPlan = SpectraPlan()
    features: FeaturesPlan = FeaturesPlan()
    barrier: BarrierPlan = BarrierPlan()
    compare: ComparePlan = ComparePlan()
    verdict: VerdictPlan = VerdictPlan()
    record: RecordPlan = RecordPlan()
    report: ReportPlan = ReportPlan()
    review: ReviewPlan = ReviewPlan()


def read_plan(path: str | Path) -> Plan:
    """Read a plan from a TOML file; what it does not say stays as it is.

    Parameters
    ----------
    path : path

    Raises
    ------
    PlanError
        If it cannot be read or a key is wrong; the text names key, line and remedy.

    Examples
    --------
    >>> from pathlib import Path
    >>> _ = Path("plan.toml").write_text("compare.confidence = 0.9")
    >>> sts.read_plan("plan.toml").compare.confidence
    0.9
    """
    plan: Plan = read_toml(Plan, path, "plan")
    return plan
