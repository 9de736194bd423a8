"""What the loaders hand over: refusals in one line, notes once, pieces of a file quoted."""

from __future__ import annotations

import pickle

import pandas as pd

from sts.loaders.loaded import LoadedFile, Notes, Preview, UnreadableFile, shown


def test_a_refusal_is_one_printable_line_with_its_places_from_outside_in():
    error = UnreadableFile("found\n'\x00x'.  Correct it.", place="line 3").inside("sheet 'A'").inside("b.xlsx")
    assert str(error) == "b.xlsx, sheet 'A', line 3: found ' x'. Correct it."


def test_a_refusal_keeps_its_class_and_what_it_carries():
    class Bare(UnreadableFile):
        width = 0

    outer = Bare("has no names.", width=3).inside("a.txt")
    assert (type(outer), outer.width, str(outer)) == (Bare, 3, "a.txt: has no names.")


def test_a_refusal_comes_back_with_its_place():
    error = pickle.loads(pickle.dumps(UnreadableFile("is empty.", place="sheet 2", width=3)))
    assert (str(error), error.place, error.width) == ("sheet 2: is empty.", "sheet 2", 3)


def test_a_note_stands_once():
    notes = Notes()
    for text in ("a", "b", "a"):
        notes.add(text)
    assert notes == ["a", "b"]


def test_a_quoted_piece_is_printable_and_not_too_long():
    assert shown("a\x07b") == "'a\N{REPLACEMENT CHARACTER}b'"
    assert shown("x" * 50, limit=5) == "'xxxxx...'"


def test_a_path_has_its_folder():
    assert LoadedFile("a.txt", b"", "text", "", ()).path == "a.txt"
    assert LoadedFile("a.txt", b"", "text", "", (), folder="gold").path == "gold/a.txt"


def test_a_preview_prints_its_problem_once_and_says_what_it_leaves_out():
    empty = pd.DataFrame()
    sweeps = pd.DataFrame({"sweep": [f"s{i}" for i in range(15)]})
    text = str(Preview("a.txt", "text", empty, empty, sweeps, ("one note",), "", "kind = 'iv'"))
    assert "read as text, 15 sweeps" in text
    assert "... and 3 more" in text
    assert "- one note" in text
    refused = str(Preview("a.txt", "text", empty, empty, empty, (), "a.txt: is empty.", ""))
    assert refused == "a.txt: is empty."
