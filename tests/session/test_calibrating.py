"""What is stored as a calibration, and for which sweeps; refusals are tested with the session."""

from __future__ import annotations

from pathlib import Path

import pytest
from session.examples import file_of

from sts.comparing.calibration import Calibration
from sts.session import Session, SessionError
from sts.session.calibrating import store_calibration

SCALE = Calibration(1.02, 0.01, "step", measured=0.0, known=0.0)


def test_a_calibration_holds_for_all_sweeps_unless_a_merged_session_is_named(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "a.h5")
    session.add([file_of(1)])
    store_calibration(session.path, "height", SCALE, "")
    assert session.calibrations()[["factor", "session"]].values.tolist() == [[1.02, ""]]
    with pytest.raises(SessionError, match=r"no session 'monday' was merged into it\. Merged were: none"):
        store_calibration(session.path, "height", SCALE, "", "monday")
    assert len(session.calibrations()) == 1
