"""Labels by rank: what is filled in, what stands, and what is told."""

from __future__ import annotations

import numpy as np
import pytest

from sts.loaders.labels import NAME, STATED, PathLabels, Statement, fill, filled
from sts.loaders.loaded import UnreadableFile
from sts.loaders.reading import read_bytes
from sts.sweeps import SAID_BY


def columns(**known):
    table = {"sweep": ["s1", "s2"], "source": ["a.txt", "b.txt"], "tip": ["", ""], **known}
    return {key: np.array(cells, float if isinstance(cells[0], float) else object) for key, cells in table.items()}


def said(source, rows=(0, 1), place="line 2", empty=(), **values):
    return Statement(list(rows), values, source, place, empty)


def test_what_is_unknown_is_filled_in_with_who_said_it():
    table, told = fill(columns(), [said("book.csv", rows=[0], tip="heron", temperature_K=4.2)])
    assert (table["tip"].tolist(), told) == (["heron", ""], [])
    assert table["temperature_K"].tolist() == pytest.approx([4.2, np.nan], nan_ok=True)
    assert table[SAID_BY].tolist() == ["tip=book.csv;temperature_K=book.csv", ""]


def test_the_header_stands_and_the_disagreement_is_told():
    table, told = fill(columns(tip=["ibis", ""]), [said("book.csv", tip="heron")])
    assert table["tip"].tolist() == ["ibis", "heron"]
    assert told == ["a.txt: the header says tip is 'ibis', book.csv, line 2, says 'heron'; the header was taken."]
    assert told[0].kind == "the header and book.csv disagree on tip; the header was taken"
    table, told = fill(columns(tip=["ibis", ""]), [said("book.csv", tip="heron")], prefer=True)
    assert table["tip"].tolist() == ["heron", "heron"]
    assert "the logbook was taken" in told[0]


def test_a_logbook_stands_above_a_name_and_a_name_below_all():
    table, told = fill(columns(), [said(NAME, tip="A"), said("book.csv", rows=[0], tip="heron")])
    assert table["tip"].tolist() == ["heron", "A"]
    assert told == []  # a name is a guess: nobody has to be told
    again, _ = fill(table, [said(NAME, tip="B")])
    assert again["tip"].tolist() == ["heron", "B"]  # what a name said, a name replaces


def test_an_earlier_row_of_a_logbook_stands():
    table, told = fill(columns(), [said("book.csv", tip="heron"), said("book.csv", place="line 3", tip="ibis")])
    assert table["tip"].tolist() == ["heron", "heron"]
    assert told[0].kind == "lines of book.csv disagree on tip; the first was taken"


def test_capitals_and_the_last_digits_are_no_disagreement():
    table, told = fill(
        columns(tip=["Heron", ""], bias_V=[0.1, np.nan]), [said("b.csv", tip="heron", bias_V=0.1000000001)]
    )
    assert table["tip"].tolist() == ["Heron", "heron"]
    assert told == []


def test_a_cell_that_a_logbook_has_emptied_stays_and_is_told():
    table, _ = fill(columns(), [said("book.csv", tip="heron")])
    again, told = fill(table, [said("book.csv", empty=("tip",))])
    assert again["tip"].tolist() == ["heron", "heron"]
    assert "leaves tip empty, and said 'heron' before; that stands" in told[0]


def test_what_is_stated_for_all_replaces_nothing():
    table, told = fill(columns(tip=["ibis", ""]), [said(STATED, tip="heron")], prefer=True)
    assert table["tip"].tolist() == ["ibis", "heron"]
    assert len(told) == 1


def test_a_pattern_is_taken_before_words_and_numbers_in_it_reach_si():
    labels = PathLabels(["tipB_10mV.txt"], ["{tip}_{bias_mV}mV"])
    assert labels.of("tipB_10mV.txt") == {"tip": "tipB", "bias_V": pytest.approx(0.01)}
    assert PathLabels(["tipB_10mV.txt"]).of("tipB_10mV.txt") == {"tip": "B"}
    assert PathLabels(["tipB_10mV.txt"], guess=False).of("tipB_10mV.txt") == {}
    with pytest.raises(ValueError, match="no pattern of names"):
        PathLabels([], ["{}"])


def test_a_number_in_a_name_that_cannot_be_is_refused():
    with pytest.raises(UnreadableFile, match="beyond what can be"):
        PathLabels([], ["T{temperature_K}K"]).of("T99999K.txt")


def test_a_name_says_the_repeat_only_of_a_file_with_one_sweep():
    labels = PathLabels([], ["{tip}_{repeat}"])
    one, two = ({"direction": np.array(["up"] * n, object)} for n in (1, 2))
    assert labels.statements("A_3.txt", "iv", one, range(1))[0].values == {"tip": "A", "repeat": 3.0}
    assert labels.statements("A_3.txt", "iv", two, range(2))[0].values == {"tip": "A"}


def test_a_direction_in_a_name_is_one_of_its_kind():
    labels = PathLabels([], ["{tip}_{direction}"])
    one = {"direction": np.array([""], object)}
    assert labels.statements("A_up.txt", "iz", one, range(1))[0].values == {"tip": "A", "direction": "retract"}
    assert labels.statements("A_approach.txt", "iv", one, range(1))[0].values == {"tip": "A"}


def test_a_file_is_filled_set_by_set_and_left_alone_where_nothing_is_said():
    file = read_bytes(b"V (mV),I (nA)\n1,1\n2,2\n3,3\n", "a.csv")
    labelled, told = filled(file, lambda part: [said("book.csv", rows=range(len(part)), tip="heron")])
    assert (labelled.sets[0].table["tip"].tolist(), told) == (["heron"], [])
    assert filled(file, lambda part: [])[0].sets[0] is file.sets[0]
