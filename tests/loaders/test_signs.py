"""What a header says of a sign, in the words that benches use for it."""

from __future__ import annotations

import pytest
from loaders.written import IZ, file, read
from numpy.testing import assert_allclose

from sts.loaders import UnreadableFile

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
