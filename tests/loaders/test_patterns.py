"""Thirty logbooks that name folders, in both separators and any case: each row fits what a reader would say."""

from __future__ import annotations

import pytest

from sts.loaders.patterns import fits, values_from, without_copy_mark

ABOVE = "data/2026"
FILES = (
    "thursday/tipA/tipA_site1_001.txt",
    "thursday/tipA/tipA_site2_001.txt",
    "thursday/tipB/tipB_site1_001.txt",
    "thursday/tipB/iv/tipB_site1_iv_1.dat",
    "thursday/low temperature/K3_1.txt",
    "thursday/tipA (2nd, recut)/tipA_site1_001.txt",
    "thursday/notes [1].csv",
)
A1, A2, B1, B_IV, LOW, RECUT, NOTES = FILES
EVERY, NONE = set(FILES), set[str]()

ROWS: dict[str, set[str]] = {
    "*": EVERY,
    "*.*": EVERY,
    "*.txt": EVERY - {B_IV, NOTES},
    "tipA/*": {A1, A2},
    "tipA\\*": {A1, A2},
    "TIPA/*": {A1, A2},
    "tipA/": {A1, A2},
    "tipA": {A1, A2},
    "tipB/*": {B1, B_IV},  # all that lies in it, however deep
    "tipB/*.txt": {B1},
    "tipB/iv/*": {B_IV},
    "iv/*": {B_IV},
    "tipB\\iv\\*.dat": {B_IV},
    "thursday/*": EVERY,
    "thursday/tipB/*": {B1, B_IV},
    "Thursday\\TipB\\*": {B1, B_IV},
    "./tipB/*": {B1, B_IV},
    "..\\thursday\\tipB\\*": {B1, B_IV},
    "C:\\Users\\me\\data\\2026\\thursday\\tipB\\*": {B1, B_IV},
    "C:\\Users\\me\\data\\2025\\thursday\\tipB\\*": NONE,  # another year
    "/home/me/data/2026/thursday/tipB/iv/*": {B_IV},
    "data/2026/thursday/tipA/*": {A1, A2},
    "monday/tipB/*": NONE,
    "tipA_site1_001.txt": {A1, RECUT},
    "tipA/tipA_site1_001.txt": {A1},
    "tipA_site1_001": {A1, RECUT},  # the ending left out
    "tipA_site1": NONE,
    "tipA_site?_001.txt": {A1, A2, RECUT},
    "tipA (2nd, recut)/*": {RECUT},
    "tipA*/*": {A1, A2, RECUT},
    "low temperature/*": {LOW},
    "low temperature": {LOW},
    "notes [1].csv": {NOTES},
    "notes [1]": {NOTES},
    "*site1*": {A1, B1, B_IV, RECUT},
    "tip?/*": {A1, A2, B1, B_IV},
    "": NONE,
    "/": NONE,
}


def test_there_are_thirty():
    assert len(ROWS) >= 30


@pytest.mark.parametrize("pattern", ROWS)
def test_a_row_fits(pattern):
    assert {path for path in FILES if fits(path, pattern, above=ABOVE)} == ROWS[pattern]


def test_what_is_not_known_of_a_path_is_no_fit_but_beyond_a_full_path_it_does_not_matter():
    assert not fits("tipB/x.txt", "monday/tipB/*")
    assert fits("tipB/x.txt", "/data/monday/tipB/*")  # a full path: the file lies in some tipB, and no more is known
    assert not fits("x.txt", "tipB/*")


@pytest.mark.parametrize(
    ("stem", "bare"),
    [("a - Copy", "a"), ("a - Copy (2)", "a"), ("a - Kopie", "a"), ("Copy of a", "a"), ("a_copy", "a"), ("a (1)", "a"),
     ("a", "a"), ("copy", "copy"), ("recopy", "recopy")],
)  # fmt: skip
def test_marks_of_copies(stem, bare):
    assert without_copy_mark(stem) == (bare, bare != stem)


@pytest.mark.parametrize(
    ("pattern", "path", "said"),
    [
        ("{tip}_s{site}_r{repeat}.csv", "iz/heron_s1_r02.csv", {"tip": "heron", "site": "1", "repeat": "02"}),
        ("{tip}_s{site}_r{repeat}", "iz/heron_s1_r02.csv", {"tip": "heron", "site": "1", "repeat": "02"}),
        ("{tip}/{site}_*", "day/heron/3_up.txt", {"tip": "heron", "site": "3"}),
        ("{tip}\\{site}_*", "day/heron/3_up.txt", {"tip": "heron", "site": "3"}),
        ("{tip}/{tip}_{repeat}.txt", "heron/heron_4.txt", {"tip": "heron", "repeat": "4"}),
        ("{tip}/{tip}_{repeat}.txt", "heron/plover_4.txt", {}),
        ("{tip}_{repeat}.txt", "heron_4 - Copy.txt", {"tip": "heron", "repeat": "4"}),
        ("{tip}_{repeat}.txt", "heron_four.txt", {}),
        ("{sample}, {tip}, {temperature_K}K.txt", "gold, heron, 77K.txt",
         {"sample": "gold", "tip": "heron", "temperature_K": "77"}),
    ],
)  # fmt: skip
def test_a_pattern_that_the_user_gives(pattern, path, said):
    assert values_from(pattern, path) == said
