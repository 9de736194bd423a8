"""Verdicts of tips: every rule on both sides of its limit, no verdict on too little, and how often good tips are called bad."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from comparing.examples import make_repeats
from often import repeated

from sts.comparing import TipTables, compare_pairs, site_level, tip_level, tip_verdicts
from sts.flags import no_flags
from sts.plan import VerdictPlan


def _judged(tips: dict[str, int], *, out: dict[str, int] | None = None, kind: str = "iz") -> pd.DataFrame:
    """One row per sweep, `tips` sweeps of each over four sites, the first `out` of them left out."""
    rows = [
        {"sweep": f"{tip}_{i}", "kind": kind, "sample": "gold", "tip": tip, "site": str(i % 4),
         "used": i >= (out or {}).get(tip, 0)}
        for tip, number in tips.items() for i in range(number)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def _tables(barriers: dict[str, float], noise_pA: dict[str, float] | None = None, **arguments) -> TipTables:
    sites = site_level(make_repeats(barriers, **{"site_sd": 0.02, **arguments}))
    tips = tip_level(sites)
    noise = noise_pA or dict.fromkeys(barriers, 1.0)
    sweeps = pd.DataFrame({"tip": list(noise), "noise_pA": list(noise.values())})
    return TipTables(sweeps, sites, tips, compare_pairs(tips), pd.DataFrame())


def _verdicts(barriers: dict[str, float], *, out=None, flags=None, rules=None, kind="iz", number=12, **arguments):
    judged = _judged(dict.fromkeys(barriers, number), out=out, kind=kind)
    tables = None if kind == "iv" else _tables(barriers, **arguments)
    found = tip_verdicts(judged, no_flags() if flags is None else flags, tables, rules or VerdictPlan())
    return found.set_index("tip")


def test_good_tips_are_used_without_a_reason():
    found = _verdicts({"heron": 4.5, "plover": 4.4})
    assert found["verdict"].tolist() == ["use", "use"]
    assert found["reasons"].tolist() == ["", ""]


def test_a_tip_that_reads_far_less_than_the_others_is_not_used_and_comes_last():
    found = _verdicts({"sandpiper": 0.7, "heron": 4.5, "plover": 4.4})
    assert found.index.tolist()[-1] == "sandpiper"
    assert found.loc["sandpiper", "verdict"] == "do not use"
    assert found.loc["sandpiper", "reasons"].startswith("reads 0.1")
    assert found.loc["sandpiper", "reads_less_than"] == "heron, plover"


def test_where_all_tips_read_low_none_is_blamed_for_it():
    found = _verdicts({"wren": 0.55, "dunlin": 0.52})
    assert found["verdict"].tolist() == ["use", "use"]


def test_one_tip_that_reads_too_high_does_not_make_the_others_bad():
    found = _verdicts({"wren": 4.4, "dunlin": 4.5, "snipe": 4.45, "stint": 18.0})
    assert found.loc[["wren", "dunlin", "snipe"], "verdict"].tolist() == ["use"] * 3


@pytest.mark.parametrize(
    ("lost", "verdict"), [(2, "use"), (3, "use with care"), (6, "use with care"), (7, "do not use")]
)
def test_lost_sweeps_decide_by_their_share(lost: int, verdict: str):
    found = _verdicts({"heron": 4.5, "plover": 4.4}, out={"heron": lost})
    assert found.loc["heron", "verdict"] == verdict
    assert found.loc["heron", "lost"] == lost
    assert ("sweeps left out" in found.loc["heron", "reasons"]) == (verdict != "use")


@pytest.mark.parametrize(("jumps", "verdict"), [(2, "use"), (3, "use with care")])
def test_jumps_count_though_a_person_kept_the_sweeps(jumps: int, verdict: str):
    flags = pd.DataFrame({"sweep": [f"heron_{i}" for i in range(jumps)], "flag": "jump", "detail": ""})
    assert _verdicts({"heron": 4.5, "plover": 4.4}, flags=flags).loc["heron", "verdict"] == verdict


@pytest.mark.parametrize(("noise", "verdict"), [(1.9, "use"), (2.1, "use with care")])
def test_noise_is_judged_against_the_other_tips(noise: float, verdict: str):
    found = _verdicts({"heron": 4.5, "plover": 4.4}, noise_pA={"heron": noise, "plover": 1.0})
    assert found.loc["heron", "verdict"] == verdict
    assert found.loc["plover", "verdict"] == "use"


def test_scattering_sites_and_a_wide_interval_ask_for_care():
    found = _verdicts({"heron": 4.5, "plover": 4.4}, site_sd=0.4, seed=3)
    assert (found["verdict"] == "use with care").all()
    assert found["reasons"].str.contains("its interval is wide").all()
    assert found["reasons"].str.contains("sites scatter by").any()


def test_no_verdict_on_less_than_it_needs():
    found = _verdicts({"heron": 4.5, "plover": 4.4}, sites={"heron": 1, "plover": 4})
    assert found.loc["heron", "verdict"] == "too little data"
    assert found.loc["heron", "reasons"] == "1 of 2 sites that a verdict needs"
    few = _verdicts({"heron": 4.5, "plover": 4.4}, number=3)
    assert (few["verdict"] == "too little data").all()
    assert few["reasons"].str.contains("3 of 4 sweeps").all()
    none = _verdicts({"heron": 4.5, "plover": 4.4}, number=3, out={"heron": 3})
    assert none.loc["heron", "verdict"] == "too little data", "three lost sweeps do not condemn a tip"


def test_a_tip_with_spectra_only_is_used_with_care_at_best():
    found = _verdicts({"heron": 4.5}, kind="iv")
    assert found.loc["heron", "verdict"] == "use with care"
    assert "no I(z) sweep" in found.loc["heron", "reasons"]
    assert np.isnan(found.loc["heron", "barrier_eV"])


def test_a_low_barrier_with_nothing_beside_it_asks_for_care():
    low = pd.DataFrame({"sweep": [f"siskin_{i}" for i in range(12)], "flag": "low barrier", "detail": ""})
    found = _verdicts({"siskin": 0.66}, flags=low)
    assert found.loc["siskin", "verdict"] == "use with care"
    assert "no work function" in found.loc["siskin", "reasons"]


def test_sweeps_without_a_tip_have_no_verdict():
    judged = _judged({"heron": 12, "": 5})
    assert tip_verdicts(judged, no_flags(), _tables({"heron": 4.5}), VerdictPlan())["tip"].tolist() == ["heron"]


def test_nothing_named_gives_an_empty_table_with_its_columns():
    found = tip_verdicts(_judged({"": 5}), no_flags(), None, VerdictPlan())
    assert len(found) == 0
    assert "verdict" in found


@repeated(24, 300)
def test_good_tips_are_hardly_ever_called_bad_and_bad_ones_are_found(repeats: int):
    """Benches of three tips, four sites with 5 % scatter of slopes; one reads 0.3 of the others in half of the benches."""
    refused = careful = found = bad = good = 0
    for seed in range(repeats):
        spoiled = seed % 2 == 0
        barriers = {"heron": 4.5, "plover": 4.3, "snipe": 4.4 * (0.3 if spoiled else 1.0)}
        table = _verdicts(barriers, site_sd=0.05, seed=seed)["verdict"]
        if spoiled:
            bad += 1
            found += table["snipe"] == "do not use"
        good += 2 if spoiled else 3
        right = table.drop("snipe") if spoiled else table
        refused += int((right == "do not use").sum())
        careful += int((right == "use with care").sum())
    assert refused == 0
    assert careful / good < 0.05
    assert found / bad > 0.95


def test_noise_scatter_and_drift_have_intervals_around_them_or_too_few_to_have_one():
    barriers = {"heron": 4.5, "plover": 4.4}
    tables = _tables(barriers)
    sweeps = pd.DataFrame({"tip": ["heron"] * 9 + ["plover"] * 3, "noise_pA": [*np.arange(1.0, 10.0), 4.0, 5.0, 6.0]})
    pairs = pd.DataFrame(
        {"tip": ["heron"] * 6, "sample": "gold", "drift_pm_per_s": [-1.0, 2, -3, 4, 5, 6], "agree": True}
    )
    tables = TipTables(sweeps, tables.sites, tables.tips, tables.pairs, pairs)
    found = tip_verdicts(_judged(dict.fromkeys(barriers, 12)), no_flags(), tables, VerdictPlan()).set_index("tip")
    heron, plover = found.loc["heron"], found.loc["plover"]
    # Ranks 2 and 8 of nine values, 1 and 6 of six (tables of the sign test).
    assert (heron["noise_pA"], heron["noise_low_pA"], heron["noise_high_pA"]) == (5.0, 2.0, 8.0)
    assert (heron["drift_low_pm_per_s"], heron["drift_high_pm_per_s"]) == (1.0, 6.0)
    assert np.isnan(plover["noise_low_pA"])
    assert plover["noise_sweeps"] == 3
    for name in ("within_sites", "between_sites"):
        assert heron[f"{name}_low_percent"] <= heron[f"{name}_percent"] <= heron[f"{name}_high_percent"]


def test_a_noise_that_was_found_from_all_sweeps_has_no_interval():
    """The spread of one number, repeated for every sweep, is none: 1.03 to 1.03 pA would be a claim of no uncertainty."""
    tables = _tables({"heron": 4.5})
    tables = TipTables(
        pd.DataFrame({"tip": ["heron"] * 9, "noise_pA": [*[1.03] * 8, 1.1]}),
        tables.sites,
        tables.tips,
        tables.pairs,
        tables.directions,
    )
    heron = tip_verdicts(_judged({"heron": 12}), no_flags(), tables, VerdictPlan()).iloc[0]
    assert heron["noise_pA"] == 1.03
    assert np.isnan([heron["noise_low_pA"], heron["noise_high_pA"]]).all()
