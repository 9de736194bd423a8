"""Tips that changed within an afternoon, and sites whose repeats run away: found, placed, sized; nothing else is told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sts.comparing.sites_and_tips import BARRIER_PER_NM2
from sts.comparing.tip_change import CHANGE_COLUMNS, RUN_COLUMNS, find_changes

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"


def repeats(tips: dict[str, list[tuple[str, list[float]]]], scatter: float = 0.006, seed: int = 1) -> pd.DataFrame:
    """Repeats of tips at sites with these true barriers [eV], one after the other."""
    rng = np.random.default_rng(seed)
    rows = [(tip, site, barrier) for tip, stays in tips.items() for site, barriers in stays for barrier in barriers]
    names = [f"{tip}_{i:02d}" for i, (tip, _, _) in enumerate(rows)]
    slope = [np.sqrt(barrier / BARRIER_PER_NM2) * (1 + scatter * rng.normal()) for _, _, barrier in rows]
    return pd.DataFrame({
        "sample": "gold", "tip": [row[0] for row in rows], "site": [row[1] for row in rows], "decay_per_nm": slope,
        "decay_se_per_nm": 0.05, "at": range(len(rows)), "first_sweep": names, "last_sweep": names,
    })  # fmt: skip


HALF_WAY = {"wren": [("1", [4.4] * 3), ("2", [4.4] * 3), ("3", [1.0] * 3), ("4", [1.0] * 3)]}


def test_a_tip_that_falls_from_four_to_one_electronvolt_is_told_with_both_levels():
    (row,) = find_changes(repeats(HALF_WAY)).changes.to_dict("records")
    assert (row["last_before"], row["first_after"], row["repeats_before"], row["repeats_after"]) == (
        "wren_05",
        "wren_06",
        6,
        6,
    )
    assert row["before_low_eV"] < 4.4 < row["before_high_eV"]
    assert row["after_low_eV"] < 1.0 < row["after_high_eV"]
    assert row["ratio_low"] < 1 / 4.4 < row["ratio_high"]
    assert row["before_high_eV"] - row["before_low_eV"] < 0.6


def test_whole_sites_before_and_after_may_be_the_places_and_a_site_seen_in_both_states_is_not():
    within = {"wren": [("1", [4.4] * 4), ("2", [4.4, 4.4, 3.5, 3.5]), ("3", [3.5] * 4)]}
    again = {"wren": [("1", [4.4] * 3), ("2", [4.4] * 3), ("1", [3.5] * 3), ("2", [3.5] * 3)]}
    told = [find_changes(repeats(tips)).changes for tips in (HALF_WAY, within, again)]
    assert [list(one["places_may_differ"]) for one in told] == [[True], [False], [False]]
    assert [one["last_before"].iloc[0] for one in told] == ["wren_05"] * 3


def test_two_places_that_differ_are_no_change_of_the_tip():
    assert find_changes(repeats({"wren": [("A", [4.4] * 3), ("B", [3.5] * 3)]})).changes.empty


def test_the_order_is_that_of_measurement_and_not_that_of_the_rows():
    table = repeats({"wren": [("1", [4.4] * 4), ("2", [4.4, 4.4, 3.5, 3.5]), ("3", [3.5] * 4)]})
    mixed = table.sample(frac=1.0, random_state=3)
    assert find_changes(mixed).changes.equals(find_changes(table).changes)


def test_a_drift_of_five_per_cent_is_no_change():
    drifting = {"wren": [(str(k), [4.4 * (1 - 0.05 * (3 * k + i) / 11) for i in range(3)]) for k in range(4)]}
    found = find_changes(repeats(drifting, scatter=0.002))
    assert found.changes.empty
    assert found.runs.empty


def test_days_of_a_tip_are_looked_at_one_by_one():
    """A tip that reads less on another day did not change within an afternoon."""
    table = repeats({"wren": [("1", [4.4] * 3), ("2", [4.4] * 3), ("1", [3.0] * 3), ("2", [3.0] * 3)]})
    assert len(find_changes(table).changes) == 1
    assert find_changes(table.assign(day=["mon"] * 6 + ["tue"] * 6)).changes.empty


def test_repeats_that_run_away_are_told_with_their_site():
    tips = {"B": [("1", [1.5] * 3), ("2", [1.24, 1.56, 1.91]), ("3", [1.45] * 3)]}
    found = find_changes(repeats(tips, scatter=0.01))
    (row,) = found.runs.to_dict("records")
    assert (row["site"], row["first_sweep"], row["last_sweep"], row["repeats"]) == ("2", "B_03", "B_05", 3)
    assert row["first_eV"] == pytest.approx(1.24, rel=0.05)
    assert row["last_eV"] == pytest.approx(1.91, rel=0.05)
    assert found.changes.empty


def test_repeats_that_scatter_as_much_without_an_order_do_not_run_away():
    tips = {"B": [("1", [1.5] * 3), ("2", [1.56, 1.24, 1.91]), ("3", [1.45] * 3)]}
    assert find_changes(repeats(tips, scatter=0.01)).runs.empty


def test_of_hundreds_of_repeats_neighbours_are_averaged_but_not_where_the_change_is():
    tips = {"wren": [(str(k), [4.4] * 25) for k in range(7)] + [("7", [4.4] * 13 + [3.5] * 12), ("8", [3.5] * 50)]}
    (row,) = find_changes(repeats(tips, scatter=0.01)).changes.to_dict("records")
    assert (row["earliest"], row["latest"]) == ("wren_187", "wren_188")
    assert row["ratio_low"] < 3.5 / 4.4 < row["ratio_high"]


@pytest.mark.parametrize("slopes", [[], [21.0] * 3, [21.0, -5.0, np.nan, 21.0, 9.0]])
def test_few_repeats_tell_nothing_and_the_columns_are_there(slopes):
    table = repeats({"wren": [("1", [4.4] * 5)]}).iloc[: len(slopes)]
    found = find_changes(table.assign(decay_per_nm=slopes))
    assert (list(found.changes), list(found.runs)) == ([*CHANGE_COLUMNS], [*RUN_COLUMNS])
    assert found.changes.empty
    assert found.runs.empty


def test_tips_that_did_not_change_are_left_alone(monkeypatch: pytest.MonkeyPatch):
    """A quick look; scripts/studies/tip_changes.py measures it over layouts, scatters and noises."""
    monkeypatch.syspath_prepend(str(SCRIPTS))
    from studies import tip_changes as study

    rng = np.random.default_rng(2)
    sites = study.LAYOUTS["4 sites x 3"]
    benches = [study.Bench(2), study.Bench(5, noise="1/f"), study.Bench(5, drift=5.0), study.Bench(10)]
    told = [find_changes(study.session(rng, sites, [bench] * 5)) for bench in benches]
    assert sum(len(one.changes) + len(one.runs) for one in told) <= 1  # of 20; at 1 % more are a chance of 2 %
    changed = study.Bench(2, 2, step=study.CHANGE, at=5)
    assert len(find_changes(study.session(rng, sites, [changed] * 5)).changes) >= 4


@pytest.mark.study
def test_false_alarms_and_power_keep_their_bounds(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.syspath_prepend(str(SCRIPTS))
    from studies import tip_changes as study

    assert not [f for f in study.run(quick=True, seed=3) if not f.kept]
