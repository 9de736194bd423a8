"""From judged I(V) sweeps to spectra, one for each group, and the averages over tips."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import astuple, dataclass, field, replace
from functools import cached_property, partial
from typing import Any

import numpy as np
import pandas as pd

from sts.analysis.constant_gap import decay_by_site, decay_for, gap_factor
from sts.analysis.results import BarrierAnalysis, SpectraAnalysis
from sts.analysis.tables import spectra_tables
from sts.comparing.differences import differences
from sts.curves import group_sweeps
from sts.curves.replicates import repeat_codes
from sts.plan import Plan
from sts.spectra import average_spectrum, find_offsets
from sts.spectra.blocks_of_points import block_words, in_blocks
from sts.spectra.common_axis import FEWEST_REPEATS, axis_words, on_common_axis
from sts.spectra.features import with_features
from sts.spectra.junction_temperature import temperature_notes
from sts.spectra.models import MODELS
from sts.spectra.spectrum import Offsets, Spectrum, axis_differences, group_label
from sts.spectra.varying_gap import Decay
from sts.sweeps import SweepSet

NOT_ASKED = 'nothing is interpolated unless the plan says spectra.axis = "common"'


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
    _joined: dict[Any, str] = field(default_factory=dict)  # how sweeps of different axes came to one, by keys
    _apart: dict[Any, str] = field(default_factory=dict)  # why they did not

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
        said = [*notes, *temperature_notes(self.sets)]
        said += dict.fromkeys(words for part in self.sets for words in block_words(part))
        spectra: list[Spectrum] = []
        chosen = frozenset(used)
        offsets, decay = self._offsets(chosen), decay_by_site(barrier)
        axes: dict[Any, set[int]] = {}
        names = [group_label(keys) for _, keys, _ in self._groups]
        apart = axis_differences([group.axis for _, _, group in self._groups], names)
        for (number, keys, group), word in zip(self._groups, apart, strict=True):
            axes.setdefault(tuple(keys.items()), set()).add(number)
            slope = decay_for(group, self.plan, decay)
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
                    f"axis by axis, since {self._apart.get(group_keys, NOT_ASKED)}."
                )
        said += [f"{group_label(dict(group_keys))}: {words}" for group_keys, words in self._joined.items()]
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
        group = next((group for _, _, group in self._groups if sweep.names[0] in group.names), sweep)
        decay = decay_for(group, self.plan, decay_by_site(barrier))
        return sweep if decay is None else gap_factor(group, self.plan, offsets, decay).applied_to(sweep)

    @cached_property
    def _in_blocks(self) -> tuple[SweepSet, ...]:
        """The sets, on no more points than are smoothed."""
        return tuple(map(in_blocks, self.sets))

    @cached_property
    def _groups(self) -> list[tuple[int, dict[str, Any], SweepSet]]:
        """Number of the set, keys and sweeps of each group; sweeps without a tip by their series, too."""
        found = []
        for number, part in enumerate(self._in_blocks):
            by = self.plan.spectra.by
            assigned = (part.table["unassigned"] == "").to_numpy(bool)
            groups = group_sweeps(part.select(assigned), by) if assigned.any() else []
            groups += group_sweeps(part.select(~assigned), [*by, "unassigned"]) if not assigned.all() else []
            found += [(number, keys, group) for keys, group in groups]
        return self._on_common_axes(found)

    def _on_common_axes(
        self, groups: list[tuple[int, dict[str, Any], SweepSet]]
    ) -> list[tuple[int, dict[str, Any], SweepSet]]:
        """The groups, those of the same keys on one axis where the plan says so and their axes allow it."""
        if self.plan.spectra.axis == "own":
            return groups
        alike: dict[Any, list[tuple[int, dict[str, Any], SweepSet]]] = {}
        for one in groups:
            alike.setdefault(tuple((key, repr(value)) for key, value in one[1].items()), []).append(one)
        found = []
        for same in alike.values():
            (number, keys, group), sets = same[0], [group for _, _, group in same]
            if len(same) == 1:
                found.append((number, keys, group))
                continue
            try:
                whole = self._again(("axis", tuple(keys.items())), sets, partial(_joined, sets))
            except ValueError as error:
                self._apart[tuple(keys.items())] = str(error)
                found += same
                continue
            self._joined[tuple(keys.items())] = axis_words(sets, whole)
            found.append((number, keys, whole))
        return found

    @cached_property
    def _groups_over_tips(self) -> list[tuple[int, dict[str, Any], SweepSet, list[tuple[str, str]]]]:
        """As `_groups`, of sweeps that differ in their tip only, and the settings that they were taken with."""
        rest = [column for column in self.plan.spectra.by if column != "tip"]
        groups: list[tuple[int, dict[str, Any], SweepSet]] = []
        for number, part in enumerate(self._in_blocks):
            named = (part.table["unassigned"] == "").to_numpy(bool)
            groups += (
                [(number, keys, group) for keys, group in group_sweeps(part.select(named), rest)] if named.any() else []
            )
        return [
            (number, keys, group, [_setting(g) for _, g in group_sweeps(group, ["sample", "tip"])])
            for number, keys, group in self._on_common_axes(groups)
        ]

    @cached_property
    def _settings(self) -> list[tuple[tuple[str, str], SweepSet]]:
        """Sweeps with a current by sample and tip: taken with one setting of the electronics."""
        groups = [group for part in self._in_blocks if part.has_current
                  for _, group in group_sweeps(part, ["sample", "tip", "unassigned"])]  # fmt: skip
        return [(_setting(group), group) for group in groups if group.has_current]

    def _spectrum(
        self, place: Any, group: SweepSet, keys: dict[str, Any], plan: Plan, used: frozenset[str],
        offsets: Offsets | None, decay: Decay | None,
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
        common = plan.spectra.axis == "common"
        tips_of: dict[Any, set[str]] = {}
        for one in spectra:
            if one.keys.get("tip"):
                place = (tuple(repr(one.keys[c]) for c in rest), 0 if common else one.bias.size)
                tips_of.setdefault(place, set()).add(str(one.keys["tip"]))
        over = plan.model_copy(update={"spectra": plan.spectra.model_copy(update={"replicates": "tip"})})
        found = []
        for number, keys, group, settings in self._groups_over_tips:
            known = tips_of.get((tuple(map(repr, keys.values())), 0 if common else group.axis.size), set())
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
                how = f"{best.how}, on another sample with the same tip"
                found[setting] = replace(best, how=how, from_symmetry=False)
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
    decay: Decay | None,
) -> Spectrum:  # fmt: skip
    """One group to a spectrum, brought to constant separation first where the gap varied."""
    if decay is None:
        spectrum = average_spectrum(group, plan, keys=keys, used=used, flags=flags, offsets=offsets)
        return _compared(with_features(spectrum, group, plan))
    if plan.spectra.didv_from == "lock-in":
        raise ValueError("dI/dV at a varying gap is taken from the current; set 'didv_from' to \"auto\" in the plan.")
    factor = gap_factor(group, plan, offsets, decay)
    group = factor.applied_to(group)
    plan = plan.model_copy(
        update={"spectra": plan.spectra.model_copy(update={"gap_slope_A_per_V": None, "didv_from": "current"})}
    )
    spectrum = average_spectrum(group, plan, keys=keys, used=used, flags=flags, offsets=offsets)
    return _compared(with_features(factor.widened(spectrum, plan.compare.confidence), group, plan))


def _compared(spectrum: Spectrum) -> Spectrum:
    """The spectrum, with whether its sites or tips differ in what its sweeps show."""
    table = spectrum.sweep_features
    return spectrum if table is None or table.empty else replace(spectrum, differences=differences(table))


def _joined(sets: Sequence[SweepSet]) -> SweepSet:
    """Sweeps of different axes on one.

    Raises
    ------
    ValueError
        If their axes share too little, or there are too few of them.
    """
    whole = on_common_axis(sets)
    repeats = int(repeat_codes(whole.table, "iv").max()) + 1
    if repeats < FEWEST_REPEATS:
        raise ValueError(
            f"there are {repeats} repeats in all: so few have the band of their point noise, which a common axis ties together"
        )
    return whole


def _setting(group: SweepSet) -> tuple[str, str]:
    row = group.table.iloc[0]
    return str(row["sample"]), str(row["tip"] if not row["unassigned"] else row["unassigned"])
