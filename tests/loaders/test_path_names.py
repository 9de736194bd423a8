"""Seventy styles of folder and file names, invented: the labels that a reader would give, or none; never a wrong one."""

from __future__ import annotations

import pytest

from sts.loaders.path_names import in_words, kind_from_path, labels_from_paths, natural_key, propose_pattern
from sts.loaders.patterns import values_from


def at(template: str, tips: str = "AB", sites: str = "12", numbers: str = "12") -> dict[str, dict[str, str]]:
    """Paths of a style, each with what it says where everything in it is named."""
    return {
        template.format(t=t, s=s, n=n): {"tip": t, "site": s, "repeat": n} for t in tips for s in sites for n in numbers
    }


def only(labels: dict[str, dict[str, str]], *columns: str) -> dict[str, dict[str, str]]:
    """The same with some labels only."""
    return {path: {c: v for c, v in said.items() if c in columns} for path, said in labels.items()}


STYLES: dict[str, dict[str, dict[str, str]]] = {
    "folder and name": at("day/tip{t}/tip{t}_site{s}_00{n}.txt"),
    "folders only": at("day/tip{t}/site{s}/00{n}.dat"),
    "underscores": at("tip_{t}_site_{s}_{n}.csv"),
    "hyphens": at("Tip-{t}-Site-{s}-{n}.csv"),
    "spaces": at("Tip {t} site {s} {n}.txt"),
    "camel case": at("Tip{t}Site{s}Run{n}.txt"),
    "run together": at("tip{t}site{s}run{n}.txt"),
    "numbered tips": at("tip{t}_spot{s}_{n}.txt", tips="12"),
    "leading zeros": {f"tip0{t}_site0{s}_00{n}.txt": {"tip": t, "site": s, "repeat": n} for t in "12" for s in "12"
                      for n in "12"},
    "spot": at("tip{t}/spot{s}_run{n}.txt"),
    "position": at("tip{t}_pos{s}_{n}.txt"),
    "capitals": at("TIP{t}_SITE{s}_{n}.DAT"),
    "equals signs": at("tip={t} site={s} run={n}.txt"),
    "sample in folder": {f"sample3/tip{t}/site{s}_{n}.txt": {"sample": "3", "tip": t, "site": s, "repeat": n}
                         for t in "AB" for s in "12" for n in "12"},
    "letters and numbers": {f"tip_W{t}_site{s}_{n}.txt": {"tip": f"W{t}", "site": s, "repeat": n} for t in "12"
                            for s in "12" for n in "12"},
    "directions at the end": {f"tipA_site{s}_{n}_{d}.txt": {"tip": "A", "site": s, "repeat": n, "direction": d}
                              for s in "12" for n in "12" for d in ("retract", "approach")},
    "up and down": {f"tipA_site1_{n}_{d}.txt": {"tip": "A", "site": "1", "repeat": n, "direction": d} for n in "12"
                    for d in ("up", "down")},
    "a date before": at("2026-11-25/tip{t}_site{s}_{n}.txt"),
    "kinds in the name": {f"tipA_site1_{k}_{n}.txt": {"tip": "A", "site": "1", "repeat": n} for k in ("iv", "iz") for n in "12"},
    "lower case tips": at("tip{t}_site{s}_{n}.txt", tips="ab"),
    # not all is named: what is not stays unknown
    "tip only": only(at("tip{t}/{s}_{n}.txt"), "tip"),
    "tip and a number": only(at("tip{t}_00{n}.txt"), "tip"),
    "one word for all of it": only(at("{t}{s}_{n}.txt")),
    "letters without words": only(at("t{t}_s{s}_r{n}.txt")),
    "birds": only(at("heron_s{s}_r{n}.csv")),
    "a date at the end": only(at("tip{t}_site{s}_2611251{n}.txt"), "tip", "site"),
    "two numbers at the end": {f"tipA_site1_{a}_{b}.txt": {"tip": "A", "site": "1"} for a in "12" for b in "12"},
    "a number that tells nothing apart": {f"tipA_site1_x{k}_5.txt": {"tip": "A", "site": "1", "repeat": "5"} for k in "1"},
    "a voltage at the end": {f"tipA_site1_{v}mV.txt": {"tip": "A", "site": "1"} for v in (50, 100)},
    "a decimal at the end": {f"tipA_site1_0.{n}.txt": {"tip": "A", "site": "1"} for n in "12"},
    "only one direction": {f"tipA_site1_{n}_retract.txt": {"tip": "A", "site": "1", "repeat": n} for n in "12"},
    "after an approach": {f"after_approach_tipA_site1_{n}.txt": {"tip": "A", "site": "1", "repeat": n} for n in "12"},
    "pulses": {f"tip_3_pulses_{n}.txt": {} for n in "12"},
    "a pulse": {f"tip_pulse_3V_{n}.txt": {} for n in "12"},
    "tips": {f"tips{n}.txt": {} for n in "12"},
    "a changed tip": {f"tipchange_{n}.txt": {} for n in "12"},
    "a tip that was etched": {f"tip_etched_site1_{n}.txt": {"site": "1", "repeat": n} for n in "12"},
    "folder and name disagree": {f"tipA/tipB_site1_{n}.txt": {"site": "1", "repeat": n} for n in "12"},
    "position of an axis": {f"tipA_pos_x_{n}.txt": {"tip": "A"} for n in "12"},
    "multiple words": {f"multitip3_{n}.txt": {} for n in "12"},
    "a recut tip in words": {f"A (2nd, recut)/iv_{n}.txt": {} for n in "12"},
    "site map": {f"sitemap2_{n}.txt": {} for n in "12"},
    "minutes": {f"tip_5_min_{n}.txt": {} for n in "12"},
    "tungsten": {f"tip_W_{t}_site3_{n}.txt": {"site": "3"} for t in "12" for n in "12"},
    "tungsten with a hyphen": {f"tip W-{n}.txt": {} for n in "12"},
    "another tip": {f"tip{t}_{n}.txt": {} for t in ("A'", "A_recut", "A_to_B", "A_and_B", "A,B", "A_2nd") for n in "12"},
    "tips from and to": {f"tip 1-3 {n}.txt": {} for n in "12"},
    "counters behind tip": {f"Au_tip_00{n}.dat": {} for n in "123456789"},
    "counters behind sample": {f"sample_00{n}.dat": {} for n in "123456789"},
    "a site with leading zeros": {f"site_00{n}.dat": {"site": n} for n in "123"},
    "what a tip is like": {f"{w}_tip_{n}.txt": {} for w in ("new", "bad", "no", "I") for n in "12"},
    "a tip's name before the word": {f"heron_tip_s{n}_r1.txt": {} for n in "12"},
    "material before the word": {f"W_tip_r{n}.txt": {} for n in "12"},
    "a date behind the word": {f"tip_2026-04-10_00{n}.txt": {} for n in "12"},
    "a run by its date": {f"run_2026-04-1{n}_a.txt": {} for n in "12"},
    "a day and month": {f"tip_1004_{n}.txt": {} for n in "12"},
    "a position below zero": {f"tipA_pos-5_{n}.txt": {"tip": "A"} for n in "12"},
    "positions of the scanner": {f"{w}_pos_{n}.txt": {} for w in ("z", "piezo", "stage") for n in ("3", "300")},
    "sizes": {f"tip_{n}_{u}.txt": {} for n in "25" for u in ("ML", "T", "deg", "days", "L", "MOhm", "kV", "fA", "degC", "fold",
                                                             "of_5", "h")},
    "hours": {f"tip_{n}h.txt": {} for n in "12"},
    "words about a tip": {f"tip_{w}_{n}.txt": {} for w in ("a_bit_blunt", "b4_crash", "O2_exposed") for n in "12"},
    "a person": {f"Tip O'Neill {n}.txt": {} for n in "12"},
    "no directions": {f"{w}_{d}_tipA_{n}.txt": {"tip": "A"} for w in ("spin", "domain", "terrace", "T") for d in ("up", "down")
                      for n in "12"},
    "after a way": {f"tipA_site1_{n}_after_{d}.txt": {"tip": "A", "site": "1"} for d in ("approach", "retract")
                    for n in "12"},
    "sizes at the end": {f"tipA_site1_{n}.txt": {"tip": "A", "site": "1"} for n in (50, 100, 200)},
    "a time at the end": {f"tipA_site1_{n}.txt": {"tip": "A", "site": "1"} for n in (1430, 1432)},
    "voltages below zero": {f"tipA_site1_-{n}.txt": {"tip": "A", "site": "1"} for n in "12"},
    "two words that count": {f"scan1_tipA_site1_{n}.txt": {"tip": "A", "site": "1"} for n in "456"},
    "a folder that counts as well": {f"run 5/tipA_site1_{n}.txt": {"tip": "A", "site": "1", "repeat": n} for n in "456"},
    "runs from and to": {f"tipA_run1-{n}_avg.txt": {"tip": "A"} for n in "45"},
    "counted by hundreds": {f"tipA_site1_{n:03d}.txt": {"tip": "A", "site": "1", "repeat": str(n)} for n in (7, 150)},
}  # fmt: skip


def test_there_are_seventy():
    assert len(STYLES) >= 70


@pytest.mark.parametrize("style", STYLES)
def test_a_style_of_names(style):
    expected = STYLES[style]
    found = labels_from_paths(expected).values
    assert {path: found.get(path, {}) for path in expected} == expected


def test_a_copy_says_the_same_and_spoils_no_numbers():
    paths = ["tipA_site1_001.txt", "tipA_site1_002.txt", "tipA_site1_001 - Copy.txt", "Copy of tipA_site1_002.txt"]
    found = labels_from_paths(paths).values
    assert [found[path]["repeat"] for path in paths] == ["1", "2", "1", "2"]


@pytest.mark.parametrize(
    ("paths", "pattern"),
    [
        (
            [f"iz/{t}_s{s}_r{r}.csv" for t in ("heron", "plover") for s in (1, 2) for r in (1, 2)],
            "{tip}_s{site}_r{repeat}.csv",
        ),
        ([f"day/{t}/iv_{r}.csv" for t in ("heron", "plover") for r in (1, 2)], "{tip}/iv_{repeat}.csv"),
        ([f"day/{t}/a{r}.csv" for t in "AB" for r in (1, 2)], "{tip}/a{repeat}.csv"),
        ([f"loose/c_{k}_{r}.txt" for k in ("z", "iv") for r in (1, 2)], ""),
        (["a.csv"], ""),
        (["one.csv", "two_3.dat", "x/y/z.txt"], ""),
    ],
)
def test_a_proposal_is_read_by_the_pattern_engine(paths, pattern):
    assert propose_pattern(paths) == pattern
    if pattern:
        assert all(values_from(pattern, path) for path in paths)


def test_people_count_like_this():
    names = ["s10", "s2", "S1", "s1b", "a", "10", "9"]
    assert sorted(names, key=natural_key) == ["9", "10", "a", "S1", "s1b", "s2", "s10"]
    assert in_words("site", ["1", "2", "3"]) == "sites 1 to 3"
    assert in_words("tip", ["A", "B"]) == "tips A, B"
    assert in_words("tip", ["A"]) == "tip A"


def test_a_material_beside_the_kind_of_sweep_is_the_sample():
    paths = {
        "bench/IZ_Gold/spec3.csv": "Gold", "IV_HOPG/spec1.csv": "HOPG", "a/Au111-iz/x.txt": "Au111",
        "IZ_graphite_2/a1.csv": "graphite",
        "IZ_day/spec1.csv": None, "IZ_tipB/a.csv": None, "gold/a.csv": None, "IZ_gold/IV_hopg/a.csv": None, "IZ_W/a.csv": None,
        "IZ_gold/sample2_1.csv": "2",
    }  # fmt: skip
    said = labels_from_paths(paths).values
    assert {path: said.get(path, {}).get("sample") for path in paths} == paths


@pytest.mark.parametrize(
    ("path", "kind"), [("IZ_Gold/spec3.csv", "iz"), ("a/iv/1.csv", "iv"), ("iv/iz_3.csv", ""), ("ivory/z1.csv", "")]
)
def test_the_kind_of_sweep_that_names_say(path, kind):
    assert kind_from_path(path) == kind


def test_a_material_is_proposed_as_no_tip():
    assert propose_pattern([f"bench/IZ_{name}/spec{i}.csv" for name in ("Gold", "HOPG") for i in range(4)]) == ""
