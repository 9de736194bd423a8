"""The columns of the terminal's tables are those of the results."""

from __future__ import annotations

from sts.cli.result_columns import BARRIERS, COMPARED, VERDICTS
from sts.comparing.groups import GROUP_COLUMNS
from sts.comparing.paired import CHANGE_COLUMNS, STATE_COLUMNS
from sts.comparing.pairs import PAIR_COLUMNS
from sts.comparing.sites_and_tips import TIP_COLUMNS, TIP_EXTRAS
from sts.comparing.tip_change import CHANGE_COLUMNS as STEP_COLUMNS
from sts.comparing.verdicts import COLUMNS


def test_every_column_that_is_shown_is_one_of_its_table():
    known = {
        "tips": TIP_COLUMNS + TIP_EXTRAS, "pairs": PAIR_COLUMNS, "groups": GROUP_COLUMNS, "changes": CHANGE_COLUMNS,
        "states": STATE_COLUMNS, "steps": STEP_COLUMNS,
    }  # fmt: skip
    for name, columns in known.items():
        assert set(BARRIERS[name][1]) <= set(columns), name
        assert set(BARRIERS[name][2]) <= set(BARRIERS[name][1]), name
    assert set(VERDICTS) <= set(COLUMNS)
    assert set(COMPARED) <= set(BARRIERS)
