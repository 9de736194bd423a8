"""The fit shown while a window is dragged: near what measuring all again gives, and fast enough to follow the hand."""

from __future__ import annotations

import time

import numpy as np
import pytest

from sts.plan import Plan
from sts.review import Desk
from sts.review.previews import preview
from sts.session import SessionError

SWEEP = "heron_s1_r1_retract"


def row_of(desk: Desk) -> dict[str, float]:
    assert desk.analysis.barrier is not None
    sweeps = desk.analysis.barrier.sweeps.set_index("sweep")
    return {str(k): v for k, v in sweeps.loc[SWEEP].to_dict().items()}


def test_the_whole_range_is_the_fit_that_is_there(looked_at: Desk) -> None:
    row, found = row_of(looked_at), preview(looked_at.measured, SWEEP, None, None)
    assert found.barrier_eV == pytest.approx(row["barrier_eV"], rel=1e-4)
    assert found.barrier_low_eV == pytest.approx(row["barrier_low_eV"], rel=5e-3)
    assert found.barrier_high_eV == pytest.approx(row["barrier_high_eV"], rel=5e-3)
    assert found.offset_A * 1e12 == pytest.approx(row["offset_pA"], abs=0.02)
    assert found.used_points.sum() == row["points"]


def test_a_window_is_near_to_what_all_measured_again_gives_and_can_be_opened_again(looked_at: Desk) -> None:
    shown = preview(looked_at.measured, SWEEP, 0.05, 0.35)
    desk = Desk(
        looked_at.path, Plan.model_validate({"barrier": {"fit_from_nm": 0.05, "fit_to_nm": 0.35}}), read_only=True
    )
    row = row_of(desk)
    assert shown.used_points.sum() == row["points"]
    se = (row["barrier_high_eV"] - row["barrier_low_eV"]) / 4
    assert abs(shown.barrier_eV - row["barrier_eV"]) < se
    opened = preview(desk.measured, SWEEP, None, None)
    assert opened.used_points.sum() == row_of(looked_at)["points"]
    assert abs(opened.barrier_eV - row_of(looked_at)["barrier_eV"]) < se


def test_a_window_without_samples_says_that_there_is_no_fit(looked_at: Desk) -> None:
    found = preview(looked_at.measured, SWEEP, 5.0, 6.0)
    assert np.isnan(found.barrier_eV)
    assert np.isnan(found.fitted_A).all()


def test_a_spectrum_has_no_window(looked_at: Desk) -> None:
    with pytest.raises(SessionError, match="is no I\\(z\\) sweep"):
        preview(looked_at.measured, "layer_200pA_up_1", None, None)


def test_it_follows_the_hand(looked_at: Desk) -> None:
    """Bound: 30 ms of the processor on a quiet machine; three times that where others share it, which still is 10 a second."""
    times = []
    for last in np.linspace(0.2, 0.4, 12):
        start = time.process_time()
        looked_at.preview_window(SWEEP, 0.02, float(last))
        times.append(time.process_time() - start)
    assert np.median(times) < 0.09
