"""What is too large or too small for a tunnelling junction."""

from __future__ import annotations

import numpy as np
import pytest

from sts.loaders.magnitudes import implausible, out_of_range, plausible


@pytest.mark.parametrize(
    ("quantity", "values", "said"),
    [
        ("bias", [-1.0, 1.0], ""),
        ("bias", [-1000.0, 1000.0], "mV labelled V"),
        ("bias", [-1e-9, 1e-9], "V labelled µV"),
        ("current", [-1e-9, np.nan], ""),
        ("current", [0.0, 5.0], "nA or pA labelled A"),
        ("height", [1.0, 1.0 + 1e-9], ""),  # a ramp counts by its span, not by where it stands
        ("height", [0.0, 1e-6], "nm labelled µm"),
        ("lockin", [0.0, 1e30], ""),
    ],
)
def test_what_a_junction_does_not_give(quantity, values, said):
    found = implausible(quantity, np.array(values))
    assert said in found
    assert bool(found) == bool(said) == (not plausible(quantity, np.array(values)))


@pytest.mark.parametrize("values", [[0.0, 0.0], [np.nan, np.nan]])
def test_no_signal_is_no_matter_of_size(values):
    assert plausible("current", np.array(values))


def test_a_value_of_a_header_beyond_what_can_be_names_the_range():
    assert out_of_range("temperature_K", 4.2, "K") == ""
    assert "0.0001 to 2000 K" in out_of_range("temperature_K", -1.0, "K")
    assert out_of_range("site", 1e9, "") == ""
