"""Units of columns: what does not fit is refused with the line that decides."""

from __future__ import annotations

import pytest

from sts.loaders import UnreadableFile
from sts.loaders.reading import read_bytes


@pytest.mark.parametrize(
    ("columns", "message"),
    [
        ("V (nA),I (nA)", "the unit 'nA' is not one of bias"),
        ("V (mV),I (kg)", "the unit 'kg' is not one of current"),
        ("V (mV),dI/dV (kg)", "the unit 'kg' is not known"),
        ("V (mV),dI/dV (nm)", "no unit of a lock-in signal"),
        ("V (mV),dV/dI (ohm)", "no column was understood as current or lock-in"),
        ("V (kV),I (kA)", "reaches"),
    ],
)
def test_units_that_do_not_fit_are_refused(columns, message):
    with pytest.raises(UnreadableFile, match=message):
        read_bytes(f"{columns}\n-2,-1\n0,0\n2,1\n".encode(), "a.csv")
