"""What groups of sweeps are called: by what they have, and where that is the same by what differs."""

from __future__ import annotations

import numpy as np
import pytest

from sts.spectra.spectrum import axis_differences, group_label

HALF, FULL, FINE = np.linspace(-0.5, 0.5, 101), np.linspace(-1, 1, 101), np.linspace(-1, 1, 201)
SHIFTED = FINE + 1e-6


def test_a_label_says_what_is_known_and_what_tells_apart():
    assert group_label({"sample": "gold", "setpoint_current_A": 1e-10, "tip": ""}) == "gold, 100 pA"
    assert group_label({}) == "all sweeps"
    assert group_label({}, "-1 to 1 V") == "-1 to 1 V"
    assert group_label({"sample": "gold"}, "101 points") == "gold, 101 points"


def test_names_that_are_there_once_stay():
    assert axis_differences([HALF, FULL], ["gold", "graphite"]) == ["", ""]


def test_ranges_then_points_then_a_number_tell_groups_apart():
    assert axis_differences([HALF, FULL], ["a", "a"]) == ["-0.5 to 0.5 V", "-1 to 1 V"]
    assert axis_differences([FULL, FINE], ["a", "a"]) == ["101 points", "201 points"]
    assert axis_differences([FINE, SHIFTED], ["a", "a"]) == ["axis 1", "axis 2"]
    four = axis_differences([HALF, FULL, FINE, SHIFTED], ["a"] * 4)
    assert four == [
        "-0.5 to 0.5 V",
        "-1 to 1 V, 101 points",
        "-1 to 1 V, 201 points, axis 1",
        "-1 to 1 V, 201 points, axis 2",
    ]
    assert axis_differences([HALF, FULL, FULL], ["a", "a", "b"])[2] == ""


@pytest.mark.parametrize(
    ("keys", "label"),
    [
        ({"sample": "gold film", "setpoint_current_A": 1e-10}, "gold film, 100 pA"),
        ({"sample": "gold", "tip": "", "setpoint_bias_V": 0.05}, "gold, 50 mV"),
        ({"sample": "gold", "setpoint_current_A": float("nan")}, "gold"),
        ({"sample": "gold", "temperature_K": 4.2, "unassigned": "a#.txt"}, "gold, 4.2, unassigned (a#.txt)"),
        ({}, "all sweeps"),
    ],
)
def test_labels_say_what_is_known(keys: dict[str, object], label: str) -> None:
    assert group_label(keys) == label
