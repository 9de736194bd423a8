"""What is whole in a damaged session is taken, column by column, and nothing else."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
from session.damaged import by_name, spoiled, zero

from sts.session import Session, rescue


def test_where_only_numbers_are_damaged_tables_logbook_and_decisions_stay(labelled: Session, tmp_path: Path) -> None:
    said = rescue(spoiled(labelled, zero("entry/iv_001/bias")), tmp_path / "new.h5")
    new = Session(tmp_path / "new.h5")
    assert not [line for line in said if line.startswith("Lost")]
    before, after = (s.sweeps().set_index("sweep").sort_index() for s in (labelled, new))
    assert after[["site", "comment", "tip", "source"]].equals(before[["site", "comment", "tip", "source"]])
    assert new.current_decisions() == labelled.current_decisions()
    found, wanted = by_name(new), by_name(labelled)
    assert all(np.array_equal(found[name], wanted[name]) for name in wanted)


def test_lost_cells_are_named_and_counted_and_the_others_stay(labelled: Session, tmp_path: Path) -> None:
    def change(file: h5py.File) -> None:
        for place in ("entry/iv_001/site", "entry/iv_001/tip", "entry/decisions/why"):
            zero(place)(file)

    said = rescue(spoiled(labelled, change), tmp_path / "new.h5")
    assert [line for line in said if line.startswith("Lost")] == [
        "Lost: the column 'tip' of the 12 sweeps of iv_001; what the original files say is there instead.",
        "Lost: the column 'site' of the 12 sweeps of iv_001; what the original files say is there instead.",
        "Lost: the column 'why' of the 1 decisions.",
    ]
    new = Session(tmp_path / "new.h5")
    assert set(new.sweeps()["tip"]) == {"heron"}
    assert set(new.sweeps()["site"]) == {""}
    assert new.sweeps()["comment"].tolist() == labelled.sweeps()["comment"].tolist()
    assert new.current_decisions() == {labelled.sweeps()["sweep"].iloc[0]: ("omit", "")}
