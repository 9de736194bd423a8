"""Columns beside each other: which are data, which stand beside it, and in which unit."""

from __future__ import annotations

import re

import pytest
from loaders.written import IV, IZ, file, read
from numpy.testing import assert_allclose

from sts.loaders import UnreadableFile

# several columns: how many sweeps are read, and what is said of the rest
BESIDE = {
    "V (mV);I (nA);I (nA) (std)": (1, r"'I \(nA\) \(std\)' stands beside the data"),
    "V (mV);I (nA);I (nA) (rms noise)": (1, "stands beside the data"),
    "V (mV);I (nA);I_std (nA)": (1, "stands beside the data"),
    "V (mV);I (nA);σ(I) (nA)": (1, "stands beside the data"),
    "V (mV);I (nA);I error (nA)": (1, "stands beside the data"),
    "V (mV);I (nA);I fit (nA)": (1, "stands beside the data"),
    "V (mV);I (nA) (mean);I (nA) (std)": (1, "is a mean by its name"),
    "V (mV);I (nA);I (nA) (mean)": (1, "is a mean of what"),
    "V (mV);I_1 (nA);I_2 (nA);I mean (nA)": (2, "is a mean of what"),
    "V (mV);I (nA);I (nA) (filtered)": (1, "is a filtered copy of what"),
    "V (mV);I (nA);I low-pass (nA)": (1, "is a filtered copy of what"),
    "V (mV);V calibrated (mV);I (nA)": (1, "'V .mV.' is another one of what 'V calibrated .mV.' holds"),
    "V set (mV);V (mV);I (nA)": (1, "'V set .mV.', which changes from row to row"),
    "V nominal (mV);V (mV);I (nA)": (1, "'V nominal .mV.' is the nominal one of what 'V .mV.' holds"),
    "V (mV);I raw (nA);I calibrated (nA)": (1, "is the nominal one of what"),
    "V (mV);I (nA);|I| (nA)": (1, "'|I| .nA.' has lost its sign; not used"),
    "V (mV);I (nA);log10(I/nA)": (1, ""),
    "V (mV);I (nA);lock-in (Y) (mV)": (1, r"has '\(Y\)' in its name"),
    "V (mV);I (nA);lock-in phase (deg)": (1, "not used"),
    "V (mV);I (nA);dV/dI (ohm)": (1, "not used"),
}


@pytest.mark.parametrize("names", BESIDE)
def test_columns_beside_the_data(names):
    count, said = BESIDE[names]
    if "log10" in names:
        with pytest.raises(UnreadableFile, match="is a logarithm"):
            read(file(names))
        return
    loaded = read(file(names))
    assert sum(map(len, loaded.sets)) == count
    assert any(re.search(said, note) for note in loaded.notes), loaded.notes


# a height sweep: names -> current at the last point [A] (1 as written; 2 nm), or why it is refused
HEIGHTS: dict[str, float | str] = {
    "z (nm);I (nA)": 1e-9,
    "z (Å);I (nA)": 1e-9,
    "z (A);I (nA)": 1e-9,
    "z (µm);I (nA)": "spans 2e-06 m.*nm labelled µm",
    "z (m);I (nA)": "spans 2 m",
    "z (nm) (x10);I (nA)": "states the factor 10",
    "z (nm) (log10);I (nA)": "is a logarithm",
    "z (nm);I (nA) (log10)": 1e-10,
    "z (nm);log10(I/nA)": 1e-10,
    "z (nm);log10(|I| / nA)": 1e-10,
    "z (nm);lg I (nA)": 1e-10,
    "z (nm);ln(I/nA)": 1e-9 / 2.718281828459045,
    "z (nm);I (nA) (log)": "does not say its base",
    "z (nm);|I| (nA)": "has lost its sign",
    "z (V);I (nA)": "height is in volts",
    "z (nm) (rel.);I (nA)": 1e-9,
}


@pytest.mark.parametrize("names", HEIGHTS)
def test_a_height_sweep(names):
    truth = HEIGHTS[names]
    logarithm = "l" in names.split(";")[1].lower()
    text = file(names, rows=[(z, -z / 2) for z, _ in IZ] if logarithm else IZ)
    if isinstance(truth, str):
        with pytest.raises(UnreadableFile, match=truth):
            read(text)
        return
    (sweeps,) = read(text).sets
    assert sweeps.kind == "iz"
    assert_allclose(sweeps.current[0, -1], truth, rtol=1e-9)


@pytest.mark.parametrize("column", ["current inverted", "current sign", "bias sign", "bias polarity", "bias inverted",
                                    "grounded", "current polarity", "z inverted"])  # fmt: skip
def test_a_column_of_signs_is_refused(column):
    rows = "".join(f"{v};{i};yes\n" for v, i in IV)
    with pytest.raises(UnreadableFile, match="turns a sign, and may do so row by row"):
        read(f"V (mV);I (nA);{column}\n{rows}")


def ramps(*columns: tuple[str, bool]) -> str:
    """A table of columns, each rising or falling with the rows."""
    names = ";".join(name for name, _ in columns)
    body = [";".join(f"{k if rises else -k}" for _, rises in columns) for k in range(-20, 21)]
    return "\n".join([names, *body]) + "\n"


def test_reverse_bias_is_asked_about():
    with pytest.raises(UnreadableFile, match="may be of a direction or of a polarity"):
        read(ramps(("reverse bias (mV)", True), ("I (pA)", True)))


@pytest.mark.parametrize("names", ["V (mV);I uncalibrated (nA)", "V (uncorrected) (mV);I (nA)"])
def test_a_column_that_is_not_calibrated_is_read_and_it_is_said(names):
    loaded = read(file(names))
    assert any("is an uncalibrated one by its name; read as it is" in note for note in loaded.notes)


def test_two_repeats_numbered_in_brackets():
    (sweeps,) = read(file("V (mV);I (nA) (1);I (nA) (2)")).sets
    assert list(sweeps.table["repeat"]) == [1, 2]
