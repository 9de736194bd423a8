"""The study of tips, as the long tests run it."""

from __future__ import annotations

from pathlib import Path

import pytest

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"


@pytest.mark.study
def test_sites_tips_and_pairs_keep_their_levels(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.syspath_prepend(str(SCRIPTS))
    from studies import tips

    missed = [f for f in tips.run(quick=True, seed=3) if not f.kept]
    assert not missed
