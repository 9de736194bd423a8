"""One definition of a repeat, told from the table alone: what a reader would pair, and that leaving one out moves nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sts.curves.replicates import repeat_codes, with_replicates
from sts.plan import Plan
from sts.simulate import simulate_iv
from sts.spectra import average_spectrum
from sts.spectra.features import with_features
from sts.sweeps import SweepSet, sweep_table


def table(directions: str, **columns) -> pd.DataFrame:
    names = [f"s{i}" for i in range(len(directions))]
    words = {"u": "up", "d": "down", "r": "retract", "a": "approach", "-": ""}
    return sweep_table(names, direction=[words[d] for d in directions], **{"repeat": np.nan, **columns})


@pytest.mark.parametrize(
    ("directions", "columns", "wanted"),
    [
        ("udud", {}, [0, 0, 1, 1]),  # by order
        ("uudd", {}, [0, 1, 0, 1]),
        ("udud", {"repeat": [1, 2, 2, 1]}, [0, 1, 1, 0]),  # a number stands above the order
        ("udud", {"repeat": [1, 1, 1, 1]}, [0, 0, 1, 1]),  # the same number twice: two repeats
        ("udud", {"setpoint_current_A": [1e-10, 1e-10, 2e-10, 2e-10], "repeat": 1}, [0, 0, 1, 1]),
        ("udud", {"site": ["1", "1", "2", "2"], "repeat": 1}, [0, 0, 1, 1]),
        ("---", {}, [0, 1, 2]),  # of unknown direction each alone
        ("uduud", {"source": ["a", "a", "b", "c", "c"]}, [0, 0, 1, 2, 2]),  # b lost its second half: c stays with c
        ("uddu", {"channel": ["1", "1", "2", "2"]}, [0, 0, 1, 1]),
    ],
)
def test_a_repeat_is_what_a_reader_would_call_one(directions, columns, wanted) -> None:
    frame = table(directions, **{k: v for k, v in columns.items() if k not in ("channel", "source")})
    frame = frame.assign(**{k: v for k, v in columns.items() if k in ("channel", "source")})
    assert repeat_codes(frame, "iv").tolist() == wanted


def test_retract_and_approach_are_paired_across_sets_of_other_heights() -> None:
    z = np.linspace(0, 5e-10, 20)
    sets = [
        SweepSet("iz", z * factor, np.ones((1, 20)), table(direction, repeat=1, tip="heron"))
        for direction, factor in (("r", 1.0), ("a", 1.01))
    ]
    first, second = with_replicates(sets)
    assert first.table["replicate"].tolist() == second.table["replicate"].tolist() == [0]


def test_a_sweep_left_out_pairs_no_others_anew() -> None:
    """Without numbers, the third sweep up stays the partner of the third sweep down when the second is left out."""
    made = simulate_iv(density="v_shaped", sweeps=6, seed=3)
    unnumbered = SweepSet("iv", made.sweeps.axis, made.sweeps.current, made.sweeps.table.assign(repeat=np.nan))
    lost = made.sweeps.names[2]
    used = [name for name in made.sweeps.names if name != lost]
    plan = Plan()
    numbered, ordered = (average_spectrum(s, plan, used=used) for s in (made.sweeps, unnumbered))
    np.testing.assert_allclose(ordered.current, numbered.current, rtol=1e-12)
    np.testing.assert_allclose(ordered.didv_se, numbered.didv_se, rtol=1e-12)


def test_a_gap_counts_the_same_repeats_as_the_band() -> None:
    """Eight pairs, numbered or not, are eight repeats in the resampling of the gap."""
    made = simulate_iv(density="gapped", sweeps=8, seed=5)
    gaps = []
    for repeat in (made.sweeps.table["repeat"], np.nan):
        sweeps = SweepSet("iv", made.sweeps.axis, made.sweeps.current, made.sweeps.table.assign(repeat=repeat))
        gaps.append(with_features(average_spectrum(sweeps), sweeps, Plan()).gaps)
    pd.testing.assert_frame_equal(*gaps)
