"""What stands above a table: rows of units, names with blanks between."""

from __future__ import annotations

import pytest
from loaders.written import IV, file, read
from numpy.testing import assert_allclose

from sts.loaders import UnreadableFile

UNIT_ROWS: dict[tuple[str, str], float | str] = {
    ("V;I", "mV;nA"): 1e-9,
    ("V (mV);I (nA)", "mV;nA"): 1e-9,
    ("V (mV);I (nA)", "mV;pA"): "two units that disagree, 'nA' and 'pA'",
    ("V (mV);I (nA)", "V;nA"): "two units that disagree, 'mV' and 'V'",
    ("V_mV;I_nA", "V;A"): "two units that disagree",
    ("V (mV);I (µA)", "mV;μA"): 1e-6,  # two micro signs
    ("V (mV);I", "mV;-"): "has no unit",
}


@pytest.mark.parametrize(("names", "units"), UNIT_ROWS)
def test_a_row_of_units_below_the_names(names, units):
    truth = UNIT_ROWS[names, units]
    text = file(names).replace(names, f"{names}\n{units}")
    if isinstance(truth, str):
        with pytest.raises(UnreadableFile, match=truth):
            read(text)
        return
    assert_allclose(read(text).sets[0].current[0, -1], truth, rtol=1e-12)


def test_names_of_several_words_between_blanks():
    text = "Sample bias (mV) Tunnel current (nA)\n" + "".join(f"{v} {i}\n" for v, i in IV)
    (sweeps,) = read(text).sets
    assert_allclose(sweeps.current[0, -1], 1e-9)
