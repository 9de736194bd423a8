"""The original bytes of files, of every size, deflated or not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from session.examples import file_of

from sts.session import Session, SessionError


@pytest.mark.parametrize("size", [0, 1, 1000, (1 << 20) - 1, 1 << 20, (1 << 20) + 1, 3_500_000])
@pytest.mark.parametrize("kind", ["text", "noise"])
def test_originals_come_back_byte_for_byte(session: Session, size: int, kind: str) -> None:
    noise = np.random.default_rng(size).bytes(size)
    content = noise if kind == "noise" else (b"0,1;2,3\n" * (size // 8 + 1))[:size]
    session.add([file_of(1), replace(file_of(2), content=content), file_of(3)])
    session.add([file_of(4)])
    assert session.original("file2.csv") == content
    for number in (1, 3, 4):
        assert session.original(f"file{number}.csv") == file_of(number).content
    if kind == "text" and size > 1_000_000:
        assert session.path.stat().st_size < size / 3
    with pytest.raises(SessionError, match=r"no file 'file9.csv' was imported; near to it: file4.csv"):
        session.original("file9.csv")
