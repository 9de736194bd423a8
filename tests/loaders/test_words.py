"""Names of columns and header entries: the spellings that benches use, and what must not be guessed."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.loaders import UnreadableFile
from sts.loaders.column_names import understand
from sts.loaders.reading import read_bytes


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


@pytest.mark.parametrize(
    ("direction", "kind", "word"),
    [
        ("up", "iv", "up"),
        ("down", "iv", "down"),
        ("forward", "iv", "up"),
        ("backward", "iv", "down"),
        ("retract", "iz", "retract"),
        ("approach", "iz", "approach"),
        ("trace", "iz", "retract"),
        ("down", "iz", "approach"),
    ],
)
def test_direction_in_the_header(direction, kind, word):
    assert list(table(f"# direction: {direction}", iz=kind == "iz").table["direction"]) == [word]


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


def test_constant_bias_beside_a_moving_height_is_a_height_sweep():
    (s,) = read_bytes(b"V (mV),z (nm),I (nA)\n50,0,8\n50,1,4\n50,2,2\n", "a.csv").sets
    assert s.kind == "iz"
    assert_allclose(s.table["bias_V"], [0.05])


@pytest.mark.parametrize(
    ("unit", "header", "seconds"),
    [
        ("s", "", [16.0, 16.0]),
        ("ms", "", [0.016, 0.016]),
        ("min", "", [960.0, 960.0]),
        ("ms", "# sweep time: 3 s\n", [3.0, 3.0]),  # what the header says stands
        ("shakes", "", [np.nan, np.nan]),
    ],
)
def test_a_column_of_times_gives_the_duration_of_each_run(unit, header, seconds):
    bias = [*range(-4, 5), *range(4, -5, -1)]
    rows = "".join(f"{2 * i},{v},{v}\n" for i, v in enumerate(bias))
    (s,) = read_bytes(f"{header}time ({unit}),V (mV),I (nA)\n{rows}".encode(), "a.csv").sets
    assert_allclose(s.table["duration_s"], seconds)


def test_times_that_do_not_run_on_or_belong_to_two_sweeps_give_no_duration():
    for text in (
        "t (s),V (mV),I (nA)\n0,0,0\n2,1,1\n1,2,2\n",
        "t (s),V (mV),I_1 (nA),I_2 (nA)\n0,0,0,0\n1,1,1,1\n2,2,2,2\n",
    ):
        (s,) = read_bytes(text.encode(), "a.csv").sets
        assert s.table["duration_s"].isna().all()
