"""Header entries: values in SI, what disagrees, and what must not be guessed."""

from __future__ import annotations

import numpy as np
import pytest
from loaders.written import file, read
from numpy.testing import assert_allclose

from sts.loaders.reading import read_bytes

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


def table(header: str, *, iz: bool = False):
    columns = "z (nm),I (nA)\n0,3\n1,2\n2,1\n" if iz else "V (mV),I (nA)\n-1,-1\n0,0\n1,1\n"
    (sweeps,) = read_bytes(f"{header}\n{columns}".encode(), "a.csv").sets
    return sweeps


@pytest.mark.parametrize(
    ("entry", "column", "value"),
    [
        ("# Temperature: 77 K", "temperature_K", 77),
        ("# temperature (K): 4.2", "temperature_K", 4.2),
        ("temperature_K = 4,2", "temperature_K", 4.2),
        ("# temp: 25 °C", "temperature_K", 298.15),
        ("# Set-point current = 50 pA", "setpoint_current_A", 50e-12),
        ("# setpoint current [nA]: 0.05", "setpoint_current_A", 50e-12),
        ("# I_set: 5e-2 nA", "setpoint_current_A", 50e-12),
        ("# stabilisation bias: -500 mV", "setpoint_bias_V", -0.5),
        ("# bias: 0.5 V", "setpoint_bias_V", 0.5),  # in an I(V) file
        ("# current: 50 pA", "setpoint_current_A", 50e-12),
        ("# x: 12.5 nm", "x_m", 12.5e-9),
        ("# y position (Å): 5", "y_m", 5e-10),
        ("# sweep time: 200 ms", "duration_s", 0.2),
        ("# time: 0.5 s", "duration_s", 0.5),  # with a unit of time it is no time of day
        ("# full scale: 10 nA", "full_scale_A", 1e-8),
        ("# modulation: 7 mV rms", "modulation_V", 7e-3),
        ("# modulation rms (mV): 7", "modulation_V", 7e-3),
        ("# modulation amplitude (peak): 10 mV", "modulation_V", 10e-3 / 2**0.5),
        ("# lock-in modulation: 20 mV pp", "modulation_V", 20e-3 / 8**0.5),
        ("# repeat: 3", "repeat", 3),
    ],
)
def test_header_entries_in_si(entry, column, value):
    assert_allclose(table(entry).table[column], [value], rtol=1e-12)


def test_bias_in_a_height_sweep_is_the_bias_during_it():
    row = table("# bias: 50 mV", iz=True).table.iloc[0]
    assert_allclose(row["bias_V"], 0.05)
    assert np.isnan(row["setpoint_bias_V"])


def test_tip_bias_in_the_header_of_a_height_sweep_is_turned():
    assert_allclose(table("# tip bias: 50 mV", iz=True).table["bias_V"], [-0.05])
    assert_allclose(table("# bias applied to: tip\n# bias: 50 mV", iz=True).table["bias_V"], [-0.05])
    assert_allclose(table("# bias applied to: sample\n# bias: 50 mV", iz=True).table["bias_V"], [0.05])


@pytest.mark.parametrize(
    ("entry", "note"),
    [
        ("# temperature: 77", "has no unit"),
        ("# temperature: cold", "is not a number"),
        ("# set-point current: 50 mV", "none of current"),
        ("# set-point current: 1,500 pA", "without doubt"),  # a thousand, or one and a half?
        ("# modulation: 5 mV", "does not say rms or peak"),
        ("# direction: sideways", "is not known; expected up or down"),
    ],
)
def test_what_cannot_be_used_without_a_guess_is_left_out_and_said(entry, note):
    sweeps = table(entry)
    assert any(note in n for n in sweeps.notes), sweeps.notes
    numbers = sweeps.table[["temperature_K", "setpoint_current_A", "modulation_V"]]
    assert numbers.isna().all(axis=None)


def test_unknown_stays_unknown():
    row = table("# tip: ?\n# sample: n/a\n# operator: me").table.iloc[0]
    assert (row["tip"], row["sample"], row["site"], row["direction"]) == ("", "", "", "")
    assert "operator" not in row
