"""Text files line by line: remarks above, within and below the table."""

from __future__ import annotations

import pytest
from loaders.written import file, read

REMARKS = {
    "# bias on tip": True,
    "# Sample is grounded": True,
    "# Current inverted": True,
    "# Currents must be multiplied by 10": False,
    "# my bench, a quiet day": None,
}


@pytest.mark.parametrize("remark", REMARKS)
@pytest.mark.parametrize("where", ["above", "within", "below"])
def test_a_remark_that_may_matter_is_repeated(remark, where):
    names, *rows = file("V (mV);I (nA)").splitlines()
    lines = {
        "above": [remark, names, *rows],
        "within": [names, *rows[:9], remark, *rows[9:]],
        "below": [names, *rows, remark],
    }
    loaded = read("\n".join(lines[where]) + "\n")
    told = [note for note in loaded.notes if "which is not read; if it touches the numbers" in note]
    assert len(told) == (REMARKS[remark] is not None)
    assert all(note.startswith("sign: ") == REMARKS[remark] for note in told)


@pytest.mark.parametrize("remark", ["# gain changed to 1e8", "# Gain: 1e8", "# Scale factor: 10"])
def test_a_change_within_the_table_is_told(remark):
    names, *rows = file("V (mV);I (nA)").splitlines()
    notes = read("\n".join([names, *rows[:9], remark, *rows[9:]]) + "\n").notes
    assert any("line 11, within the table, says" in note for note in notes)
