"""What the names of columns say: spellings that benches use, and names that mislead."""

from __future__ import annotations

import pytest
from loaders.written import file, read
from numpy.testing import assert_allclose

from sts.loaders import UnreadableFile
from sts.loaders.column_names import understand

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


@pytest.mark.parametrize(
    ("name", "quantity", "unit", "direction", "repeat"),
    [
        ("V (mV)", "bias", "mV", "", None),
        ("U [V]", "bias", "V", "", None),
        ("Sample bias / V", "bias", "V", "", None),
        ("V/mV", "bias", "mV", "", None),
        ("bias_mV", "bias", "mV", "", None),
        ("V_V", "bias", "V", "", None),
        ("Tip voltage (V)", "tip bias", "V", "", None),
        ("z / nm", "height", "nm", "", None),
        ("Relative height (pm)", "height", "pm", "", None),
        ("Δz (Å)", "height", "Å", "", None),
        ("Tunnelling current (pA)", "current", "pA", "", None),
        ("tunneling current [nA]", "current", "nA", "", None),
        ("I (nA) forward", "current", "nA", "forward", None),
        ("I forward / nA", "current", "nA", "forward", None),
        ("I_bwd (nA)", "current", "nA", "backward", None),
        ("current_retrace_nA", "current", "nA", "backward", None),
        ("I [nA] (approach)", "current", "nA", "approach", None),
        ("I_3 (nA)", "current", "nA", "", 3),
        ("I3 (nA)", "current", "nA", "", 3),
        ("I (nA) [12]", "current", "nA", "", 12),
        ("I sweep 4 (nA)", "current", "nA", "", 4),
        ("I up 2 (nA)", "current", "nA", "up", 2),
        ("dI/dV (nS)", "lockin", "nS", "", None),
        ("dI/dV / nS", "lockin", "nS", "", None),
        ("dI/dV_3", "lockin", "", "", 3),
        ("lock-in X (mV)", "lockin", "mV", "", None),
        ("Lock-In (a.u.)", "lockin", "a.u.", "", None),
        ("dV/dI (ohm)", "differential resistance", "ohm", "", None),
        ("I/V (nS)", "", "nS", "", None),  # a ratio, not a current in volts
        ("lock-in Y (mV)", "", "mV", "", None),
        ("I_Cu (nA)", "", "nA", "", None),
        ("temperature (K)", "temperature_K", "K", "", None),
        ("site", "site", "", "", None),
    ],
)
def test_what_a_column_name_says(name, quantity, unit, direction, repeat):
    found = understand(name)
    assert (found.quantity, found.unit, found.direction, found.repeat) == (quantity, unit, direction, repeat)


@pytest.mark.parametrize("name", ["[.E0]", "V (.e3)", "I [.E-9 A]"])
def test_an_exponent_behind_a_lone_point_is_no_factor(name):
    """Found by random text: Python's float refuses '.e0', and the import ended in a traceback."""
    assert understand(name).repeat is None
