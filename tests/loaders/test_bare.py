"""Tables that nothing names: what they look like, what they may be, and names given on import."""

from __future__ import annotations

import numpy as np
import pytest

from sts.loaders.bare import bare_columns, named_columns, propose_array, range_of, runs_one_way

RAMP = np.linspace(-0.5, 0.5, 51)


@pytest.mark.parametrize(
    ("values", "proposal"),
    [
        ([RAMP, 1e-9 * RAMP], "V (V), I (A)"),
        ([1e-9 * RAMP, RAMP * 1000], "I (A), V (mV)"),
        ([np.linspace(0, 0.5, 51), 10 * np.exp(-10 * np.linspace(0, 0.5, 51))], "z (nm), I (nA)"),
        ([np.linspace(0, 5e-10, 51), 1e-9 * np.exp(-10 * np.linspace(0, 0.5, 51))], "z (m), I (A)"),
    ],
)
def test_a_proposal_goes_by_size_and_course(values, proposal):
    if proposal.startswith("I"):  # the current of a junction rises too: only the first one-way column is the axis
        values = [values[0][np.argsort(np.sin(np.arange(51)))], values[1]]
    error = bare_columns(values, "line 1")
    assert f"--columns '{proposal}'" in str(error)
    assert (error.width, error.place) == (2, "line 1")


def test_what_numbers_look_like():
    assert range_of(RAMP) == "-0.5 to 0.5 in even steps"
    assert range_of(np.array([3.0, 1.0, 2.0])) == "1 to 3"
    assert range_of(np.array([np.nan])) == "no numbers"


def test_there_and_back_is_one_way_but_noise_is_not():
    assert runs_one_way(np.r_[RAMP, RAMP[::-1]])
    assert not runs_one_way(np.random.default_rng(1).normal(size=51))


def test_an_array_alone_is_a_current_and_over_a_signal_an_axis():
    assert propose_array(1e-9 * RAMP) == ("current", "A")
    assert propose_array(RAMP, 1e-9 * RAMP) == ("bias", "V")


def test_names_with_a_pattern_of_files():
    named = named_columns(" c_z*: z (nm), -, I (pA) ")
    assert (named.names, named.pattern) == (("z (nm)", "", "I (pA)"), "c_z*")
    assert named.speaks_of("gold/c_z01.txt")
    assert not named.speaks_of("gold/c_v01.txt")
    assert named_columns("V (V), I (A)").speaks_of("anything.txt")


@pytest.mark.parametrize("text", ["", "V (V)", "V (a, b)"])
def test_one_name_is_too_few(text):
    with pytest.raises(ValueError, match="does not name two columns"):
        named_columns(text)
