"""Several sessions as one for the length of a block: a file of two of them counts once, and nothing stays behind."""

from __future__ import annotations

from pathlib import Path

import pytest
from session.examples import file_of

from sts.analysis.together import as_one
from sts.session import Session, SessionError


def test_what_two_sessions_share_counts_once_and_is_said(tmp_path: Path) -> None:
    a, b = Session.create(tmp_path / "a.h5"), Session.create(tmp_path / "b.h5")
    a.add([file_of(1), file_of(2)])
    b.add([file_of(2), file_of(3)])
    before = sorted(path.read_bytes() for path in tmp_path.glob("*.h5"))
    with as_one([a, str(b.path)]) as whole:
        assert len(whole.session.sweeps()) == 6
        assert (whole.name, whole.notes) == ("a.h5, b.h5", ("1 file is in more than one session; counted once.",))
    assert not whole.session.path.exists()
    assert sorted(path.read_bytes() for path in tmp_path.glob("*.h5")) == before
    with as_one(a) as alone:
        assert (alone.session, alone.name, alone.notes) == (a, "a.h5", ())
    with pytest.raises(SessionError, match="No session is given"), as_one([]):
        pass
    with pytest.raises(SessionError, match="cannot be merged with itself"), as_one([a, a]):
        pass
