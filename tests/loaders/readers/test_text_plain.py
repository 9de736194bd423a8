"""What a text file must not hold: commas that may mark thousands."""

from __future__ import annotations

import pytest
from loaders.written import read
from numpy.testing import assert_allclose

from sts.loaders import Recipe, UnreadableFile
from sts.loaders.reading import read_bytes

THOUSANDS = {
    "-3,000\t1,000\n-2,000\t2,000\n-1,000\t3,000\n": "'-3,000' may be -3000 or -3.000",
    "1,250\t1,000\n2,500\t2,125\n3,750\t3,375\n": "'1,250' may be 1250 or 1.250",
    "-3,000;1,000\n-2,000;2,000\n-1,000;3,000\n": "may be",
    "-3,000\t1,00\n-2,000\t2,00\n-1,000\t3,00\n": -1e-3,
    "-1,000\t0,500\n0,000\t0,600\n1,000\t0,700\n": 1e-3,
    "-3,000\t1,000e0\n-2,000\t2,000e0\n-1,000\t3,000e0\n": -1e-3,
}


@pytest.mark.parametrize("rows", THOUSANDS)
def test_a_comma_that_may_mark_thousands_is_asked_about(rows):
    names = "V (mV);I (nA)\n" if ";" in rows else "V (mV)\tI (nA)\n"
    truth = THOUSANDS[rows]
    if isinstance(truth, str):
        with pytest.raises(UnreadableFile, match=truth):
            read(names + rows)
        loaded = read_bytes((names + rows).encode(), "a.txt", recipe=Recipe(decimal=","))
        assert abs(loaded.sets[0].axis).max() <= 4e-3
        return
    assert_allclose(read(names + rows).sets[0].axis[-1], truth, rtol=1e-12)


def test_a_decimal_comma_in_the_header_settles_it():
    assert_allclose(read("# duration: 0,5 s\nV (mV)\tI (nA)\n1,000\t1,000\n2,000\t2,000\n").sets[0].axis[-1], 2e-3)
