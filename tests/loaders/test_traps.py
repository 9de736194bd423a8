"""Headers that mislead: each gives the right number, or is refused with the reason. Nothing is read silently wrong.

The truth of every trap was written by hand beside it. The table below the header is always the same: the first column
runs from -100 to 100, the second is a hundredth of it (I(V)), or falls from 10 to 1 (I(z)).
"""

from __future__ import annotations

import re

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.loaders import Recipe, UnreadableFile
from sts.loaders.reading import read_bytes

IV = [(v, v / 100) for v in range(-100, 101, 10)]
IZ = [(k / 10, 10 * 0.1 ** (k / 20)) for k in range(21)]


def file(names: str, header: str = "", *, rows: list[tuple[float, ...]] = IV, delimiter: str = ";") -> str:
    count = len(names.split(delimiter))
    body = [delimiter.join(f"{v:.9g}" for v in (row[0], *[row[1]] * (count - 1))) for row in rows]
    return "\n".join([*([header] if header else []), names, *body]) + "\n"


def read(text: str):
    return read_bytes(text.encode(), "a.txt")


# names of the columns -> current at the last point [A], bias there is 0.1 V; or why it is refused
NAMES: dict[str, float | str] = {
    "V (mV);I(V) (nA)": 1e-9,
    "V (mV);I(V) [nA]": 1e-9,
    "V mV;I nA": 1e-9,
    "V, mV;I, nA": 1e-9,
    "bias voltage mV;tunnel current nA": 1e-9,
    "Vb (mV);It (nA)": 1e-9,
    "V_b (mV);I_t (nA)": 1e-9,
    "U_T (mV);I_T (nA)": 1e-9,
    "Vbias (mV);Itunnel (nA)": 1e-9,
    "biasVoltage (mV);tunnelCurrent (nA)": 1e-9,
    "V (mV);I (nA);(dI/dV)/(I/V)": 1e-9,
    "V (mV);I (nA);dI/dV (fA/V)": 1e-9,
    "V (mV);I (nA);dI/dV (µA/V)": 1e-9,
    "V (mV);I (nA);dI/dV (nA/mV)": 1e-9,
    "V (mV);I (nA);dI/dV (arb)": 1e-9,
    "V (mV);I (nA);dI/dV (norm.)": 1e-9,
    "V (mV);I (nA);dI/dV (G0)": 1e-9,
    "V (mV);I (nA);dI/dV (wobbles)": 1e-9,
    "V (mV);dI/dV (wobbles)": "is not known",
    "V (mV);I' (nA)": "which is not understood",
    "V (mV);I'' (nA)": "which is not understood",
    "V (mV);I- (nA)": "which is not understood",
    "V (mV);I - (nA)": "which is not understood",
    "V- (mV);I (nA)": "which is not understood",
    "V (mV);I/t (nA)": "which is not understood",
    "V/s (mV);I (nA)": "which is not understood",
    "V (mV);I/ (nA)": "which is not understood",
    "V (mV);no current (nA)": "no column was understood as current",
    "V (mV);I (nA) (rel.)": "which is not understood",
    "V (rel.) (mV);I (nA)": "which is not understood",
    "V (mV);sweep 1 I (nA)": 1e-9,
    "V (mV);I (nA) (x0)": "states a factor that no number has",
    "V (mV);I (nA) /0": "states a factor that no number has",
    "V (mV);I (nA)": 1e-9,
    # a factor beside the unit: taken where only one way round can be, else refused
    "V (mV);I (A) (x1e-9)": 1e-9,
    "V (mV);I (A) (×1e-9)": 1e-9,
    "V (mV);I (A) [*1e-9]": 1e-9,
    "V (mV);I (A) (1e-9)": 1e-9,
    "V (mV);I (A) (10^-9)": 1e-9,
    "V (mV);I (A) (x10^-9)": 1e-9,
    "V (mV);I (A) (x10^{-9})": 1e-9,
    "V (mV);I (A) (1e9)": 1e-9,  # divided by: 1e9 A cannot be
    "V (mV);I (A) (x1e9)": 1e-9,
    "V (mV);I (A) (/1e9)": 1e-9,
    "V (mV);I (A) (e-9)": 1e-9,
    "V (mV);I x1e-9 (A)": 1e-9,
    "V (mV);I (1e-9 A)": 1e-9,
    "V (mV);I (10^-9 A)": 1e-9,
    "V (mV);I [10⁻⁹ A]": 1e-9,
    "V (mV);I (x 10^-9 A)": 1e-9,
    "V (mV);I (10^{-9} A)": 1e-9,
    "V (mV);I / 10^-9 A": "no column was understood as current",
    "V (10^-3 V);I (nA)": 1e-9,
    "V (mV);I (nA) (x10)": "states the factor 10 beside its unit",
    "V (mV);I (nA) (10x)": "states the factor 10 beside its unit",
    "V (mV);I (nA) (x 1000)": "states the factor 1000 beside its unit",
    "V (mV);I (nA) (1e-3)": "states the factor 0.001 beside its unit",
    "V (mV);I (nA) (x0.1)": "states the factor 0.1 beside its unit",
    "V (mV);I (nA) (/2)": "states the factor 0.5 beside its unit",
    "V (mV) (x10);I (nA)": "states the factor 10 beside its unit",
    "V (mV);I (nA) (x-1)": -1e-9,
    "V (mV);10*I (nA)": "no column was understood as current",
    "V (mV);I*10 (nA)": "no column was understood as current",
    "V (mV);I/10 (nA)": "no column was understood as current",
    "V (mV);I x 10 (nA)": "no column was understood as current",
    "V (mV);I² (nA)": "no column was understood as current",
    "V (mV);I^2 (nA)": "no column was understood as current",
    "V (mV);sqrt(I) (nA)": "is not the quantity itself",
    "V (mV);1/I (nA)": "no column was understood as current",
    "V (mV);I/I0 (nA)": "no column was understood as current",
    "V (mV);I-I0 (nA)": "no column was understood as current",
    "V (mV);I (nA) (normalised)": "is not the quantity itself",
    "V (mV);I (nA) (squared)": "is not the quantity itself",
    # logarithms and absolute values lose the sign
    "V (mV);I (A) (log10)": "is a logarithm",
    "V (mV);I (nA) (log)": "is a logarithm that does not say its base",
    "V (mV);I (nA) [ln]": "is a logarithm",
    "V (mV);log10(I) (nA)": "is a logarithm",
    "V (mV);log(I / nA)": "is a logarithm that does not say its base",
    "V (mV);ln I (nA)": "is a logarithm",
    "V (mV);log10 |I| (nA)": "is a logarithm",
    "V (mV);lg(I/A)": "is a logarithm",
    "V (mV);I (dB)": "is a logarithm|has no unit",
    "V (mV);I log (nA)": "is a logarithm that does not say its base",
    "V (mV);I (nA) (abs)": "has lost its sign",
    "V (mV);|I| (nA)": "has lost its sign",
    "V (mV);abs(I) (nA)": "has lost its sign",
    "V (mV);I abs (nA)": "has lost its sign",
    "V (mV);I (nA) (absolute)": "has lost its sign",
    "V (mV) (abs);I (nA)": "has lost its sign",
    "|V| (mV);I (nA)": "has lost its sign",
    "V (mV) (log10);I (nA)": "is a logarithm",
    # minus signs
    "V (mV);-I (nA)": -1e-9,
    "V (mV);−I (nA)": -1e-9,
    "V (mV);- I (nA)": -1e-9,
    "V (mV);minus I (nA)": -1e-9,
    "V (mV);-(I) (nA)": -1e-9,
    "V (mV);I (-nA)": -1e-9,
    "V (mV);I (nA) (inverted)": -1e-9,
    "V (mV);I inverted (nA)": -1e-9,
    "V (mV);neg I (nA)": -1e-9,
    "V (mV);-current (nA)": -1e-9,
    "V (mV);-1*I (nA)": "no column was understood as current",
    # what the bracket says is not known
    "V (mV);I (nA) (funny)": r"has '\(funny\)' in its name, which is not understood",
    "V (mV);I (nA) (ch 2)": "not understood",
    "V (mV);I (nA) (tip)": "not understood",
    "V (mV);I (nA) (gain 1e9)": "not understood",
    "V (mV);I (nA) (offset 5 pA)": "not understood",
    "V (mV);I (nA rms)": "not understood",
    "V (mV);I (nA) (rms)": "not understood",
    "V (mV) (rms);I (nA)": "not understood",
    "V (mV) (pp);I (nA)": "not understood",
    "V (mV) (AC);I (nA)": "not understood",
    "V (mV) (uncorrected for offset);I (nA)": "not understood",
    "V (mV);I (nA) (digits)": "not understood",
    "V (mV);I (nA) (at 10 mV)": "not understood",
    # two units
    "V (mV);I (nA) (pA)": "has two units, 'nA' and 'pA'",
    "V (mV) [V];I (nA)": "has two units",
    "V (mV);I_pA (nA)": "no column was understood as current",
    # units of another kind, or none
    "V (mV);I (V)": "current is in volts",
    "V (mV);I (counts)": "the unit 'counts' is not one of current",
    "V (mV);I (a.u.)": "has no unit",
    "V (mV);I (na)": "the unit 'na' is not one of current",
    "V (mV);I (NA)": "the unit 'NA' is not one of current",
    "V (mV);I (%)": "not one of current",
    "V (mV);I (pC)": "not one of current",
    "V (MV);I (nA)": "reaches 1e\\+08 V",
    "V (mv);I (nA)": "the unit 'mv' is not one of bias",
    "V (V);I (nA)": "reaches 100 V",
    "V (kV);I (nA)": "reaches 1e\\+05 V",
    "V (mV);I (A)": "reaches 1 A.*nA or pA labelled A",
    "V (mV);I (mA)": 1e-3,  # the most that is believed
    "V (mV);I (fA)": 1e-15,
    # understood words beside the quantity
    "V (mV) (sample);I (nA)": 1e-9,
    "Bias (mV, sample);I (nA)": 1e-9,
    "V sample (mV);I (nA)": 1e-9,
    "V (mV);I (tunnelling) (nA)": 1e-9,
    "V measured (mV);I measured (nA)": 1e-9,
    "V nominal (mV);I raw (nA)": 1e-9,
    "V (mV);I (nA) (mean)": 1e-9,
    "V (mV);I averaged (nA)": 1e-9,
    "V (mV);I (nA) (filtered)": 1e-9,
    "V (mV);I (nA, smoothed)": 1e-9,
    "V (mV);I (nA) forward": 1e-9,
    "V (mV);I (nA) (2)": 1e-9,
    "V (mV);std(I) (nA)": "no column was understood as current",
    "V (mV);I (nA) (std)": "no column was understood as current",
    "V (mV);I fit (nA)": "no column was understood as current",
    "V (mV);noise (nA)": "no column was understood as current",
    "V error (mV);I (nA)": "no column was understood as bias or height",
}


@pytest.mark.parametrize("names", NAMES)
def test_the_name_of_a_column(names):
    truth = NAMES[names]
    if isinstance(truth, str):
        with pytest.raises(UnreadableFile, match=truth):
            read(file(names))
        return
    loaded = read(file(names))
    (sweeps,) = loaded.sets
    assert_allclose(sweeps.axis[-1], 0.1, rtol=1e-12)
    assert_allclose(sweeps.current[0, -1], truth, rtol=1e-12)
    if truth < 0:
        assert any(note.startswith("sign: ") for note in loaded.notes), loaded.notes


@pytest.mark.parametrize("names", ["V (tip) (mV);I (nA)", "tip bias (mV);I (nA)", "V tip (mV);I (nA)", "-V (mV);I (nA)",
                                   "-V (mV);-I (nA)", "Bias (tip) (mV);I (nA)"])  # fmt: skip
def test_a_bias_that_is_turned_is_said(names):
    loaded = read(file(names))
    (sweeps,) = loaded.sets
    at_plus = sweeps.current[0, -1] if sweeps.axis[-1] > 0 else sweeps.current[0, 0]
    assert abs(at_plus) == pytest.approx(1e-9)
    assert any(note.startswith("sign: ") for note in loaded.notes)


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


def test_a_negative_height_is_turned_and_said():
    loaded = read(file("-z (nm);I (nA)", rows=IZ))
    (sweeps,) = loaded.sets
    assert sweeps.axis[0] == pytest.approx(-2e-9)
    assert any("'-z (nm)' is the negative of the height" in note for note in loaded.notes)


# header entry -> (sign of the bias, sign of the current) that the file's numbers are multiplied with, or the refusal
ENTRIES: dict[str, tuple[int, int] | str] = {
    "Current sign: 1": (1, 1),
    "Current sign: +1": (1, 1),
    "Current sign: -1": (1, -1),
    "Current sign: −1": (1, -1),
    "Current sign: positive": (1, 1),
    "Current sign: inverted": (1, -1),
    "Current polarity: 1": (1, 1),
    "Current polarity: normal": (1, 1),
    "Current polarity: -": (1, -1),
    "Current inverted: 1": (1, -1),
    "Current inverted: yes": (1, -1),
    "Current inverted: true": (1, -1),
    "Current inverted: 0": (1, 1),
    "Current inverted: no": (1, 1),
    "Current inverted: false": (1, 1),
    "Current inverted: -1": "expected yes or no",
    "Current sign: yes": "expected .1 or -1",
    "Current sign: 0": "expected .1 or -1",
    "Current polarity: funny": "expected .1 or -1",
    "Bias sign: 1": (1, 1),
    "Bias polarity: 1": (1, 1),
    "Bias polarity: normal": (1, 1),
    "Bias sign: -1": (-1, -1),  # the current is turned with the bias
    "Bias polarity: inverted": (-1, -1),
    "Bias sign: tip": (-1, -1),
    "Bias sign: sample": (1, 1),
    "Bias polarity: 0": "expected .1 or -1",
    "Bias inverted: 1": (-1, -1),
    "Bias inverted: 0": (1, 1),
    "Bias applied to: tip": (-1, -1),
    "Bias applied to: sample": (1, 1),
    "Bias applied to: the sample": (1, 1),
    "Bias applied to: cryostat": "expected tip or sample",
    "Bias applied to: tip or sample": "expected tip or sample",
    "Bias applied to: the tip (sample grounded)": (-1, -1),
    "Bias applied to: sample, tip at ground": (1, 1),
    "Bias convention: sample relative to tip": (1, 1),
    "Bias reference: tip": "expected sample relative to tip",
    "Bias reference: sample relative to tip": (1, 1),
    "Bias polarity: relative to the tip": (1, 1),
    "Bias polarity: bipolar": (1, 1),
    "Bias sign: tip grounded": (1, 1),
    "Bias sign: sample grounded": (-1, -1),
    "Bias: 50 mV (sample relative to tip)": (1, 1),
    "Bias: 50 mV vs tip": (1, 1),
    "Bias: 50 mV vs. sample": (-1, -1),
    "Sample bias: 0.05 V w.r.t. tip": (1, 1),
    "Bias: 50 mV, tip relative to sample": (-1, -1),
    "Bias: 50 mV, sample grounded": (-1, -1),
    "Bias: 50 mV (tip grounded)": (1, 1),
    "Bias: 50 mV, bias polarity: inverted": (-1, -1),
    "Bias: 50 mV; current inverted: yes": (1, -1),
    "Bias: 50 mV, sign inverted": "since it turns a sign",
    "Setpoint: 100 pA, 0.5 V, sign inverted": "since it turns a sign",
    "Setpoint: 100 pA, 0.5 V on tip": (-1, -1),
    "V tip: 0 V": (1, 1),
    "Tip bias: 0 V": (1, 1),
    "Tip bias: off": (1, 1),
    "Tip bias: grounded": (1, 1),
    "Tip bias: 50 mV": (-1, -1),
    "Tip: grounded": (1, 1),
    "Tip: 0 V": (1, 1),
    "Tip: biased": (-1, -1),
    "Sample: grounded": (-1, -1),
    "Sample: +0.5 V": (1, 1),
    "Preamp: inverting": "may turn a sign",
    "Preamp: non-inverting": (1, 1),
    "Current prefactor: 1e-9": "may multiply the numbers",
    "Divider: 10:1": "may multiply the numbers",
    "Quality factor: 25000": (1, 1),
    "Averaging factor: 10": (1, 1),
    "Fill factor: 0.5": (1, 1),
    "Sign-off: JD": (1, 1),
    "Inverted: no": (1, 1),
    "Polarity: positive": (1, 1),
    "Bias applied to: tip\n# Grounded: tip": "contradict each other",
    "Bias applied to: tip\n# Bias applied to: sample": "contradict each other",
    "Bias applied to: tip\n# Grounded: sample": (-1, -1),
    "Current sign: -1\n# Current inverted: no": "contradict each other",
    "Bias sign: 1\n# Bias applied to: tip": "contradict each other",
    "Sample bias: 50 mV\n# Bias applied to: tip": "contradict each other",
    "Bias polarity;inverted;(tip)": (-1, -1),
    "Bias applied to;tip;(sample grounded)": (-1, -1),
    "Divider;100;x": "may multiply the numbers",
    "Bias: tip": (-1, -1),
    "Bias: sample": (1, 1),
    "Bias: 50 mV (tip)": (-1, -1),
    "Bias: 50 mV (sample)": (1, 1),
    "Bias (tip): 50 mV": (-1, -1),
    "Grounded: sample": (-1, -1),
    "Grounded: tip": (1, 1),
    "Polarity: negative": "may turn a sign",
    "Sign convention: -": "may turn a sign",
    "Inverted: yes": "may turn a sign",
    "Current multiplier: 10": "may multiply the numbers",
    "Current scale: 1e-9": "may multiply the numbers",
    "Scale factor: 0.1": "may multiply the numbers",
    "Scale factor: 1": (1, 1),
    "Scale: log": "may multiply the numbers",
    "Current scale: log10": "may multiply the numbers",
    "Y scale: linear": (1, 1),
    "Bias divider: 1:100": "may multiply the numbers",
    "Bias divider: 1:1": (1, 1),
    "Attenuation: 10": "may multiply the numbers",
    "Scan scale: 0.5": (1, 1),  # of an image
    "Current unit: nA": (1, 1),
    "Current unit: pA": "two units that disagree",
    "Bias unit: V": "two units that disagree",
    "Gain: 1e9 V/A": (1, 1),
    "Note: the sign of spring": (1, 1),
}


@pytest.mark.parametrize("entry", ENTRIES)
def test_a_header_entry(entry):
    truth = ENTRIES[entry]
    text = file("V (mV);I (nA)", f"# {entry}", rows=[(v, 2 + v / 100) for v in range(-100, 101, 10)])
    if isinstance(truth, str):
        with pytest.raises(UnreadableFile, match=truth):
            read(text)
        return
    loaded = read(text)
    (sweeps,) = loaded.sets
    bias, current = truth
    last = sweeps.current[0, -1 if bias > 0 else 0]  # the sample where the file says 100 mV and 3 nA
    assert_allclose(last, current * 3e-9, rtol=1e-12)
    assert any(note.startswith("sign: ") for note in loaded.notes) == (truth != (1, 1))


@pytest.mark.parametrize(
    ("entry", "turned"),
    [
        ("z sign: -1", True),
        ("z inverted: yes", True),
        ("z polarity: 1", False),
        ("Positive z: towards the surface", True),
        ("Positive z: away from the surface", False),
    ],
)
def test_the_sign_of_the_height(entry, turned):
    loaded = read(file("z (nm);I (nA)", f"# {entry}", rows=IZ))
    assert (loaded.sets[0].axis[0] < -1e-9) == turned
    assert any(note.startswith("sign: height turned") for note in loaded.notes) == turned


# header entry -> column and value
VALUES: dict[str, dict[str, float | str]] = {
    "Set point: 100 pA": {"setpoint_current_A": 1e-10},
    "Setpoint: 100 pA": {"setpoint_current_A": 1e-10},
    "set-point = 0.5 V": {"setpoint_bias_V": 0.5},
    "Set point: 100 pA, 0.5 V": {"setpoint_current_A": 1e-10, "setpoint_bias_V": 0.5},
    "Setpoint: 0,1 nA; 500 mV": {"setpoint_current_A": 1e-10, "setpoint_bias_V": 0.5},
    "Stabilisation: 50 pA @ 0.1 V": {"setpoint_current_A": 5e-11, "setpoint_bias_V": 0.1},
    "Set point: I = 50 pA, V = 0.1 V": {"setpoint_current_A": 5e-11, "setpoint_bias_V": 0.1},
    "Setpoint (pA): 50": {"setpoint_current_A": 5e-11},
    "I set: 50 pA": {"setpoint_current_A": 5e-11},
    "V bias: 0.2 V": {"setpoint_bias_V": 0.2},
    "Modulation: 0.2 mV rms, 811 Hz": {"modulation_V": 2e-4},
    "Modulation: 0,2 mV rms, 811 Hz": {"modulation_V": 2e-4},
    "Lock-in modulation: 811 Hz, 5 mV peak": {"modulation_V": 5e-3 / 2**0.5},
    "Modulation amplitude: 10 mV pp; 1 kHz": {"modulation_V": 10e-3 / 8**0.5},
    "Date\t2026-04-10 14:03:22": {"started": "2026-04-10 14:03:22"},
    "Date;10.04.2026 14:03": {"started": "10.04.2026 14:03"},
    "Started\t2026-04-10T14:03": {"started": "2026-04-10T14:03"},
    "Run: 7": {"repeat": 7.0},
    "tip: B, site: 3": {"tip": "B", "site": "3"},
    "tip = B; site = 3": {"tip": "B", "site": "3"},
    "Bias: 50 mV, Setpoint: 100 pA": {"setpoint_bias_V": 0.05, "setpoint_current_A": 1e-10},
    "sample;tip\n# gold;heron": {"sample": "gold", "tip": "heron"},
    "sample;tip;site;temperature (K)\ngold;heron;3;4.2": {"site": "3", "temperature_K": 4.2, "sample": "gold"},
    "Temperature;4.2;K": {"temperature_K": 4.2},
    "Tip;heron;etched": {"tip": "heron (etched)"},
    "Tip: 3": {"tip": "3"},
    "Tip: tbd": {"tip": ""},
    "Tip: ???": {"tip": ""},
    "Sample: 0 V doped": {"sample": "0 V doped"},
    "Location: C:\\data\\tipB": {"site": ""},
    "Location: upstairs": {"site": ""},
    "Start: 2000": {"started": ""},
    "Start: -0.1 V": {"started": ""},
    "Start: 3 May 2026 12:10": {"started": "3 May 2026 12:10"},
    "Number: 201": {"repeat": float("nan")},
    "Acquisition time: 20 ms": {"duration_s": float("nan")},
    "No.: 7": {"repeat": 7.0},
    "Temperature (°C): 21": {"temperature_K": 294.15},
    "Temperature: 12 mK": {"temperature_K": 0.012},
}


@pytest.mark.parametrize("entry", VALUES)
def test_what_a_header_entry_gives(entry):
    (sweeps,) = read(file("V (mV);I (nA)", entry)).sets
    for column, value in VALUES[entry].items():
        found = sweeps.table[column].iloc[0]
        assert found == (value if isinstance(value, str) else pytest.approx(value, rel=1e-12, nan_ok=True))


# entries that disagree, or a value that says two things: neither is used, and it is said
DISAGREE = {
    "Tip: A\n# Tip: B": "tip",
    "Tip: A, tip: B": "tip",
    "Site: 1\n# Spot: 2": "site",
    "Temperature: 4.2 K\n# Temperature: 77 K": "temperature_K",
    "Temperature: 77 K, sample 4.2 K": "temperature_K",
    "Sample temperature: 4.2 K\n# Temp: 295 K": "temperature_K",
    "Setpoint: 100 pA, 200 pA": "setpoint_current_A",
    "Setpoint: 100 pA\n# Set current: 50 pA": "setpoint_current_A",
    "Setpoint (nA): 100 pA": "setpoint_current_A",
}


@pytest.mark.parametrize("entry", DISAGREE)
def test_of_two_values_neither_is_used(entry):
    loaded = read(file("V (mV);I (nA)", f"# {entry}"))
    found = loaded.sets[0].table[DISAGREE[entry]].iloc[0]
    assert found == "" or np.isnan(found)
    assert any("used" in note for note in loaded.notes), loaded.notes


def test_two_entries_that_agree_are_used():
    table = (
        read(file("V (mV);I (nA)", "# Temperature: 77 K\n# Sample temperature: 77.0 K\n# tip: A\n# Tip: a"))
        .sets[0]
        .table
    )
    assert (table["temperature_K"].iloc[0], table["tip"].iloc[0]) == (77.0, "A")


# names of columns and a header entry about the same sign
BOTH: dict[tuple[str, str], tuple[int, int] | str] = {
    ("tip bias (mV);I (nA)", "Bias applied to: tip"): (-1, -1),
    ("V tip (mV);I (nA)", "Grounded: sample"): (-1, -1),
    ("V tip (mV);I (nA)", "Bias sign: tip"): (-1, -1),
    ("V tip (mV);I (nA)", "Bias (tip): 50 mV"): (-1, -1),
    ("V tip (mV);I (nA)", "V tip: 50 mV"): (-1, -1),
    ("V tip (mV);I (nA)", "Operator: me"): (-1, -1),
    ("V tip (mV);I (nA)", "Bias applied to: sample"): "is of the tip by its name",
    ("V tip (mV);I (nA)", "Grounded: tip"): "is of the tip by its name",
    ("V tip (mV);I (nA)", "Current inverted: yes"): (-1, -1),
    ("V (mV);I (inverted) (nA)", "Current inverted: yes"): "once or twice",
    ("V (mV);-I (nA)", "Current sign: -1"): "once or twice",
    ("V (mV);-I (nA)", "Current sign: 1"): (1, -1),
    ("-V (mV);I (nA)", "Bias inverted: yes"): "once or twice",
    ("V sample (mV);I (nA)", "Bias applied to: sample"): (1, 1),
}


@pytest.mark.parametrize(("names", "entry"), BOTH)
def test_a_sign_that_name_and_header_speak_of(names, entry):
    truth = BOTH[names, entry]
    text = file(names, f"# {entry}", rows=[(v, 2 + v / 100) for v in range(-100, 101, 10)])
    if isinstance(truth, str):
        with pytest.raises(UnreadableFile, match=truth):
            read(text)
        return
    loaded = read(text)
    bias, current = truth
    assert_allclose(loaded.sets[0].current[0, -1 if bias > 0 else 0], current * 3e-9, rtol=1e-12)
    assert any(note.startswith("sign: ") for note in loaded.notes) == (truth != (1, 1))


def test_a_height_that_is_turned_by_its_name_and_by_the_header_is_asked_about():
    with pytest.raises(UnreadableFile, match="once or twice"):
        read(file("-z (nm);I (nA)", "# z inverted: yes", rows=IZ))


@pytest.mark.parametrize("column", ["current inverted", "current sign", "bias sign", "bias polarity", "bias inverted",
                                    "grounded", "current polarity", "z inverted"])  # fmt: skip
def test_a_column_of_signs_is_refused(column):
    rows = "".join(f"{v};{i};yes\n" for v, i in IV)
    with pytest.raises(UnreadableFile, match="turns a sign, and may do so row by row"):
        read(f"V (mV);I (nA);{column}\n{rows}")


@pytest.mark.parametrize("key", ["bias sign", "current inverted", "bias applied to", "kind"])
def test_a_recipe_gives_no_sign_as_a_value(key):
    with pytest.raises(UnreadableFile, match=r"turns a sign|uses itself"):
        read_bytes(file("V (mV);I (nA)").encode(), "a.txt", recipe=Recipe(values={key: "inverted"}))


# values that cannot be: not used, with a note that says so
IMPOSSIBLE = {
    "Temperature: 0 K": "temperature_K",
    "Temperature: -3 K": "temperature_K",
    "Temperature: 4200 K": "temperature_K",
    "Temperature: -300 °C": "temperature_K",
    "Set-point current: 50 A": "setpoint_current_A",
    "Set-point bias: 500 V": "setpoint_bias_V",
    "Modulation rms: 20 V": "modulation_V",
    "Duration: 0 s": "duration_s",
    "Full scale: 10 GA": "full_scale_A",
}


@pytest.mark.parametrize("entry", IMPOSSIBLE)
def test_a_value_that_cannot_be_is_not_used(entry):
    loaded = read(file("V (mV);I (nA)", f"# {entry}"))
    assert loaded.sets[0].table[IMPOSSIBLE[entry]].isna().all()
    assert any("beyond what can be" in note for note in loaded.notes)


def test_header_entries_that_are_not_read_are_summed_up_in_one_note():
    notes = read(file("V (mV);I (nA)", "# Operator: me\n# Temperature: 4.2 K\n# Amplifier: no. 3\n# tip: ?")).notes
    assert "header entries not read: Operator, Amplifier" in notes


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


def test_heights_in_no_order_are_one_sweep_and_it_is_said():
    rows = [IZ[i] for i in (5, 17, 2, 11, 0, 20, 8, 3, 14, 9, 1, 19, 6, 12, 4, 16, 10, 7, 18, 13, 15)]
    loaded = read(file("z (nm);I (nA)", rows=rows))
    (sweeps,) = loaded.sets
    assert len(sweeps) == 1
    assert_allclose(sweeps.current[0], [i * 1e-9 for _, i in IZ], rtol=1e-8)
    assert any("stand in no order; they were sorted" in note for note in loaded.notes)


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([(v, 500 + v) for v in range(-100, 101, 10)], False),  # an offset larger than all the rest
        ([(v, -500 + v) for v in range(-100, 101, 10)], False),
        ([(v, v - 300) for v in range(10, 211, 10)], False),  # negative at positive bias, and it rises
        ([(v, -v) for v in range(-100, 101, 10)], True),
        ([(v, 500 - v) for v in range(-100, 101, 10)], True),
    ],
)
def test_a_sign_is_doubted_only_where_the_current_falls(rows, said):
    notes = read(file("V (mV);I (pA)", rows=rows)).notes
    assert any("the current falls where the bias rises" in note for note in notes) == said


def ramps(*columns: tuple[str, bool]) -> str:
    """A table of columns, each rising or falling with the rows."""
    names = ";".join(name for name, _ in columns)
    body = [";".join(f"{k if rises else -k}" for _, rises in columns) for k in range(-20, 21)]
    return "\n".join([names, *body]) + "\n"


# columns, whether each rises in the file -> directions of the sweeps
WAYS = {
    (("V fwd (mV)", True), ("I fwd (pA)", True), ("V bwd (mV)", False), ("I bwd (pA)", False)): ["up", "down"],
    (("V fwd (mV)", False), ("I fwd (pA)", False), ("V bwd (mV)", True), ("I bwd (pA)", True)): ["down", "up"],
    (("V fwd (mV)", True), ("I fwd (pA)", True), ("V bwd (mV)", True), ("I bwd (pA)", True)): ["up", "down"],
    (("V (mV)", True), ("I fwd (pA)", True), ("I bwd (pA)", True)): ["up", "down"],
    (("V (mV)", False), ("I fwd (pA)", False), ("I bwd (pA)", False)): ["down", "up"],
    (("V (mV)", False), ("I retrace (pA)", False)): ["down"],
    (("V (mV)", True), ("I retrace (pA)", True)): ["down"],
    (("V (mV)", False), ("I trace (pA)", False)): ["down"],
    (("V down (mV)", False), ("I (pA)", False)): ["down"],
    (("V down (mV)", True), ("I (pA)", True)): ["down"],
    (("V up (mV)", True), ("I up (pA)", True), ("V down (mV)", False), ("I down (pA)", False)): ["up", "down"],
}


@pytest.mark.parametrize("columns", WAYS)
def test_which_way_a_sweep_ran(columns):
    loaded = read(ramps(*columns))
    assert [d for part in loaded.sets for d in part.table["direction"]] == WAYS[columns]
    for part in loaded.sets:
        assert (np.diff(part.current, axis=1) > 0).all()


@pytest.mark.parametrize("rises", [True, False])
def test_which_way_the_blocks_of_a_file_ran(rises):
    """The backward sweep in the order in which it was recorded, or over the axis of the forward one."""
    forward = ramps(("V (mV)", True), ("I (pA)", True))
    backward = ramps(("V (mV)", rises), ("I (pA)", rises))
    loaded = read(f"direction: forward\n{forward}\ndirection: backward\n{backward}")
    assert [d for part in loaded.sets for d in part.table["direction"]] == ["up", "down"]


def test_a_height_sweep_backward_with_heights_of_its_own_approaches():
    columns = (("z fwd (nm)", True), ("I fwd (pA)", False), ("z bwd (nm)", False), ("I bwd (pA)", True))
    loaded = read(ramps(*columns))
    assert [d for part in loaded.sets for d in part.table["direction"]] == ["retract", "approach"]


def test_a_falling_axis_that_is_called_up_is_said():
    loaded = read("direction: up\n" + ramps(("V (mV)", False), ("I (pA)", False)))
    assert list(loaded.sets[0].table["direction"]) == ["up"]
    assert any("the bias falls in the file, which says up" in note for note in loaded.notes)


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


def test_names_of_several_words_between_blanks():
    text = "Sample bias (mV) Tunnel current (nA)\n" + "".join(f"{v} {i}\n" for v, i in IV)
    (sweeps,) = read(text).sets
    assert_allclose(sweeps.current[0, -1], 1e-9)


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
