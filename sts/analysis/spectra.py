"""From judged I(V) sweeps to spectra, one for each group, and the averages over tips."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import astuple, dataclass, field, replace
from functools import cached_property, partial
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from sts.analysis.results import BarrierAnalysis, SpectraAnalysis
from sts.analysis.tables import spectra_tables
from sts.comparing.sites_and_tips import SITE
from sts.curves import group_sweeps
from sts.flags import flag_rows, join_flags, no_flags
from sts.plan import Plan
from sts.spectra import average_spectrum, find_offsets
from sts.spectra.broadened import widened_by_factor
from sts.spectra.features import with_features
from sts.spectra.models import MODELS
from sts.spectra.spectrum import Offsets, Spectrum, axis_differences, group_label
from sts.spectra.varying_gap import to_constant_separation
from sts.sweeps import SweepSet


def _decay_by_site(barrier: BarrierAnalysis | None) -> dict[tuple[str, ...], tuple[float, float]]:
    """Decay [1/m] and its uncertainty at each (sample, tip, day, site), for variable-gap spectra."""
    if barrier is None or barrier.sites.empty:
        return {}
    return {
        tuple(str(r[c]) for c in SITE): (r["decay_per_nm"] * 1e9, r["decay_se_per_nm"] * 1e9)
        for r in barrier.sites.to_dict("records")
    }


@dataclass(frozen=True, eq=False)
class SpectraOf:
    """The spectra of a session's I(V) sweeps under changing decisions: groups that a decision does not touch are kept.

    Parameters
    ----------
    sets : tuple of SweepSet
        Of kind ``"iv"``, calibrated, with the column `unassigned`.
    flags, plan, over_tips : pandas.DataFrame, Plan, bool
        What `judge_iv` said of all sweeps; every setting; whether averages over tips are made, too.
    """

    sets: tuple[SweepSet, ...]
    flags: pd.DataFrame
    plan: Plan
    over_tips: bool = True
    _store: dict[Any, list[tuple[Any, Any]]] = field(default_factory=dict)  # the last two made, by place: of what, what

    def summarise(
        self, used: Collection[str], barrier: BarrierAnalysis | None, notes: Sequence[str]
    ) -> SpectraAnalysis:
        """Spectra and their tables from the sweeps that are used.

        Parameters
        ----------
        used : collection of str
        barrier : BarrierAnalysis, optional
            Tells the decay at each site, for spectra at a varying gap.
        notes : sequence of str
            To begin with.
        """
        said = list(notes)
        spectra: list[Spectrum] = []
        chosen = frozenset(used)
        offsets, decay = self._offsets(chosen), _decay_by_site(barrier)
        axes: dict[Any, set[int]] = {}
        names = [group_label(keys) for _, keys, _ in self._groups]
        apart = axis_differences([group.axis for _, _, group in self._groups], names)
        for (number, keys, group), word in zip(self._groups, apart, strict=True):
            axes.setdefault(tuple(keys.items()), set()).add(number)
            slope = _decay_for(group, self.plan, decay) if self.plan.spectra.gap_slope_A_per_V is not None else None
            zero = offsets.get(_setting(group))
            made = self._spectrum((number, tuple(keys.items())), group, keys, self.plan, chosen, zero, slope)
            if isinstance(made, str):
                said.append(f"{group_label(keys, word)}: {made}")
            else:
                spectra.append(made)
        spectra = self._told_apart(spectra)
        spectra += self._told_apart(self._over_tips(spectra, chosen, offsets))
        for group_keys, numbers in axes.items():
            if len(numbers) > 1:
                said.append(
                    f"{group_label(dict(group_keys))}: its sweeps have {len(numbers)} different bias axes; they were averaged "
                    "axis by axis, since nothing is interpolated."
                )
        said += model_notes(spectra)
        table, summary = self._again("tables", tuple(spectra), lambda: spectra_tables(spectra, self.plan))
        return SpectraAnalysis(tuple(spectra), table, summary, tuple(said))

    def _told_apart(self, spectra: Sequence[Spectrum]) -> list[Spectrum]:
        """Spectra of which no two have the same label."""
        words = axis_differences([s.bias for s in spectra], [s.label for s in spectra])
        return [
            self._again(("apart", s.label, word), s, partial(replace, s, apart=word)) if word else s
            for s, word in zip(spectra, words, strict=True)
        ]

    def _again(self, place: Any, made_of: Any, make: Callable[[], Any]) -> Any:
        """What stands at a place; made anew only where it is made of neither what it was last nor before that (undone)."""
        kept = self._store.setdefault(place, [])
        for number, (was_made_of, made) in enumerate(kept):
            if was_made_of == made_of:
                kept.insert(0, kept.pop(number))
                return made
        kept[:] = [(made_of, make()), *kept[:1]]
        return kept[0][1]

    def at_constant_gap(self, sweep: SweepSet, offsets: Offsets, barrier: BarrierAnalysis | None) -> SweepSet:
        """One sweep as its group was brought to constant separation, where the plan says that the gap varied.

        Parameters
        ----------
        sweep : SweepSet
            Of one sweep.
        offsets : Offsets
            Of its group.
        barrier : BarrierAnalysis, optional
            Tells the decay at its site.

        Raises
        ------
        ValueError
            If nothing says what the decay is.
        """
        slope = self.plan.spectra.gap_slope_A_per_V
        if slope is None:
            return sweep
        decay = _decay_for(sweep, self.plan, _decay_by_site(barrier))
        return _at_constant_gap(sweep, slope, offsets, decay)[0]

    @cached_property
    def _groups(self) -> list[tuple[int, dict[str, Any], SweepSet]]:
        """Number of the set, keys and sweeps of each group; sweeps without a tip by their series, too."""
        found = []
        for number, part in enumerate(self.sets):
            by = self.plan.spectra.by
            assigned = (part.table["unassigned"] == "").to_numpy(bool)
            groups = group_sweeps(part.select(assigned), by) if assigned.any() else []
            groups += group_sweeps(part.select(~assigned), [*by, "unassigned"]) if not assigned.all() else []
            found += [(number, keys, group) for keys, group in groups]
        return found

    @cached_property
    def _groups_over_tips(self) -> list[tuple[int, dict[str, Any], SweepSet, list[tuple[str, str]]]]:
        """As `_groups`, of sweeps that differ in their tip only, and the settings that they were taken with."""
        rest = [column for column in self.plan.spectra.by if column != "tip"]
        found = []
        for number, part in enumerate(self.sets):
            named = (part.table["unassigned"] == "").to_numpy(bool)
            for keys, group in group_sweeps(part.select(named), rest) if named.any() else []:
                settings = [_setting(g) for _, g in group_sweeps(group, ["sample", "tip"])]
                found.append((number, keys, group, settings))
        return found

    @cached_property
    def _settings(self) -> list[tuple[tuple[str, str], SweepSet]]:
        """Sweeps with a current by sample and tip: taken with one setting of the electronics."""
        groups = [group for part in self.sets if part.has_current
                  for _, group in group_sweeps(part, ["sample", "tip", "unassigned"])]  # fmt: skip
        return [(_setting(group), group) for group in groups if group.has_current]

    def _spectrum(
        self, place: Any, group: SweepSet, keys: dict[str, Any], plan: Plan, used: frozenset[str],
        offsets: Offsets | None, decay: tuple[float, float] | None,
    ) -> Spectrum | str:  # fmt: skip
        """The spectrum of a group, or why there is none."""
        names = tuple(name for name in group.names if name in used)

        def make() -> Spectrum | str:
            try:
                return _spectrum(group, keys, plan, names, self.flags, offsets, decay)
            except ValueError as error:
                return str(error)

        made_of = repr((names, offsets and astuple(offsets), decay))  # as text, since NaN is not equal to itself
        made: Spectrum | str = self._again(place, made_of, make)
        return made

    def _over_tips(
        self, spectra: Sequence[Spectrum], used: frozenset[str], offsets: dict[Any, Offsets]
    ) -> list[Spectrum]:
        """The average over tips, with tips as its units, wherever spectra of two or more tips differ in nothing else."""
        plan = self.plan
        if not self.over_tips or "tip" not in plan.spectra.by or plan.spectra.gap_slope_A_per_V is not None:
            return []
        rest = [column for column in plan.spectra.by if column != "tip"]
        tips_of: dict[Any, set[str]] = {}
        for one in spectra:
            if one.keys.get("tip"):
                tips_of.setdefault((tuple(repr(one.keys[c]) for c in rest), one.bias.size), set()).add(
                    str(one.keys["tip"])
                )
        over = plan.model_copy(update={"spectra": plan.spectra.model_copy(update={"replicates": "tip"})})
        found = []
        for number, keys, group, settings in self._groups_over_tips:
            known = tips_of.get((tuple(map(repr, keys.values())), group.axis.size), set())
            tips = sorted(set(group.table["tip"]) & known)
            if len(tips) < 2:
                continue
            shared = [offsets[setting] for setting in settings if setting in offsets]
            zero = shared[0] if len({id(o) for o in shared}) == 1 else None
            keys = {c: f"average over {len(tips)} tips" if c == "tip" else keys[c] for c in plan.spectra.by}
            made = self._spectrum(("over tips", number, tuple(keys.items())), group, keys, over, used, zero, None)
            if isinstance(made, Spectrum):  # else one of the tips has no sweep left: its own spectrum says so
                found.append(made)
        return found

    def _offsets(self, used: frozenset[str]) -> dict[tuple[str, str], Offsets]:
        """Offsets of each sample and tip, from all set-points there; lock-in-only sets have none."""
        parts: dict[tuple[str, str], list[tuple[SweepSet, list[bool]]]] = {}
        for setting, group in self._settings:
            rows = [name in used for name in group.names]
            if any(rows):
                parts.setdefault(setting, []).append((group, rows))
        found: dict[tuple[str, str], Offsets] = {
            setting: self._again(("offsets", setting), [rows for _, rows in groups], partial(_offsets_of, groups))
            for setting, groups in parts.items()
        }
        for setting, own in found.items():
            # The same tip and electronics on another sample (a metal, say) may separate what a gap cannot.
            others = [o for (_, tip), o in found.items() if tip == setting[1] and o.separable]
            if not own.separable and others and not np.isfinite(own.bias_V):
                best = min(others, key=lambda o: o.bias_se_V)
                found[setting] = replace(best, how=f"{best.how}, on another sample with the same tip")
        return found


def model_notes(spectra: Sequence[Spectrum]) -> list[str]:
    """Which models were not tried on which spectra and why, and which setting would fit what a spectrum looks like.

    Parameters
    ----------
    spectra : sequence of Spectrum
    """
    said = []
    for model in MODELS:
        title = model.title.lower()
        why: dict[str, list[str]] = {}
        for one in spectra:
            if model.key in one.untried:
                why.setdefault(one.untried[model.key], []).append(one.label)
        said += [f"{_some(labels)}: no {title} was fitted: {reason}." for reason, labels in why.items()]
        if alike := [one.label for one in spectra if model.key in one.suggested]:
            looks = "this looks" if len(alike) == 1 else "these look"
            said.append(f"{_some(alike)}: {looks} like a {title} to fit: features.{model.key} = true.")
    return said


def _some(labels: Sequence[str]) -> str:
    """The first three labels and how many more there are."""
    more = f" and {len(labels) - 3} more" if len(labels) > 3 else ""
    return "; ".join(labels[:3]) + more


def _offsets_of(groups: Sequence[tuple[SweepSet, list[bool]]]) -> Offsets:
    """The offsets that the sweeps in the rows of these groups show together."""
    return find_offsets([group.select(np.array(rows)) for group, rows in groups])


def _spectrum(
    group: SweepSet, keys: dict[str, Any], plan: Plan, used: Collection[str], flags: pd.DataFrame, offsets: Offsets | None,
    decay: tuple[float, float] | None,
) -> Spectrum:  # fmt: skip
    """One group to a spectrum, brought to constant separation first where the gap varied."""
    slope = plan.spectra.gap_slope_A_per_V
    if slope is None or decay is None:
        return with_features(
            average_spectrum(group, plan, keys=keys, used=used, flags=flags, offsets=offsets), group, plan
        )
    per_m, se_per_m = decay
    group, relative = _at_constant_gap(group, slope, offsets, decay)
    plan = plan.model_copy(update={"spectra": plan.spectra.model_copy(update={"gap_slope_A_per_V": None})})
    spectrum = average_spectrum(group, plan, keys=keys, used=used, flags=flags, offsets=offsets)
    # The factor's uncertainty is common to all sweeps; it adds to the bands of current, derivative and ratio, where
    # N = d ln I/d ln V gains V d(ln f)/dV.
    rise, level = np.gradient(relative, spectrum.bias), plan.compare.confidence
    didv_se = np.hypot(spectrum.didv_se, spectrum.didv * relative + spectrum.current * rise)
    ratio_se = np.hypot(spectrum.normalised_se, spectrum.bias * rise)
    didv_low, didv_high = _widened(
        spectrum.didv, spectrum.didv_low, spectrum.didv_high, didv_se, spectrum.didv_se, level
    )
    ratio_low, ratio_high = _widened(
        spectrum.normalised, spectrum.normalised_low, spectrum.normalised_high, ratio_se, spectrum.normalised_se, level
    )
    words = f"brought to constant separation with {slope:g} Å/V and {per_m * 1e-9:.2f} ± {se_per_m * 1e-9:.2f} per nm"
    more = join_flags([spectrum.flags if spectrum.flags is not None else no_flags(),
                        flag_rows([""], [True], "varying gap", [words])])  # fmt: skip
    spectrum = replace(
        spectrum,
        current_se=np.hypot(spectrum.current_se, spectrum.current * relative),
        didv_se=didv_se,
        didv_low=didv_low,
        didv_high=didv_high,
        normalised_se=ratio_se,
        normalised_low=ratio_low,
        normalised_high=ratio_high,
        broadened=widened_by_factor(
            spectrum.broadened,
            spectrum.bias,
            spectrum.current,
            spectrum.didv,
            relative,
            reach=float(ndtri(0.5 + level / 2)),
        ),
        flags=more,
    )
    return with_features(spectrum, group, plan)


def _at_constant_gap(
    group: SweepSet, slope: float, offsets: Offsets | None, decay: tuple[float, float]
) -> tuple[SweepSet, Any]:
    """Sweeps brought to constant separation, and the relative standard uncertainty of the factor (n,)."""
    zero = offsets.current_A if offsets is not None and np.isfinite(offsets.current_A) else 0.0
    at_gap, relative = to_constant_separation(
        group.axis, group.current - zero, gap_slope_m_per_V=slope * 1e-10, decay_per_m=decay[0], decay_se_per_m=decay[1]
    )
    return replace(group, current=at_gap + zero), relative


def _widened(value: Any, low: Any, high: Any, se: Any, se_before: Any, confidence: float) -> tuple[Any, Any]:
    """A band widened by an uncertainty that is normal, not of few repeats; where there was no band there is none."""
    more = ndtri(0.5 + confidence / 2) * np.sqrt(np.maximum(se**2 - se_before**2, 0.0))
    return value - np.hypot(value - low, more), value + np.hypot(high - value, more)


def _decay_for(group: SweepSet, plan: Plan, decay: dict[Any, tuple[float, float]]) -> tuple[float, float]:
    """Decay of the current [1/m] for a group at a varying gap: stated, or from the session's own I(z) at its sites."""
    if plan.spectra.decay_per_nm is not None:
        return plan.spectra.decay_per_nm * 1e9, plan.spectra.decay_se_per_nm * 1e9
    places = {tuple(str(r[c]) for c in SITE) for r in group.table.to_dict("records")}
    known = [decay[place] for place in places if place in decay]
    if len(known) < len(places):
        return float("nan"), float("nan")
    values, errors = np.array(known).T
    spread = values.std(ddof=1) if len(known) > 1 else 0.0
    return float(values.mean()), float(np.hypot(errors.max(), spread))


def _setting(group: SweepSet) -> tuple[str, str]:
    row = group.table.iloc[0]
    return str(row["sample"]), str(row["tip"] if not row["unassigned"] else row["unassigned"])
