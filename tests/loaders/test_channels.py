"""Which columns belong together: a signal to its axis, rows to their sweep."""

from __future__ import annotations

import numpy as np
import pytest

from sts.loaders.block import Block, Column
from sts.loaders.channels import channels_of, clock_of, groups_of
from sts.loaders.columns import roles_of
from sts.loaders.loaded import Notes
from sts.loaders.recipe import NO_RECIPE

N = 6


def block(*names: str, **texts: list[object]) -> Block:
    columns = [Column(name, "", np.arange(N) + 1e-3 * i) for i, name in enumerate(names)]
    more = [Column(n, "", np.array(v, object if isinstance(v[0], str) else float)) for n, v in texts.items()]
    return Block([*columns, *more], [])


def channels(*names: str) -> list[tuple[str, str | None, str | None, str, int | None]]:
    found = channels_of(roles_of(block(*names), NO_RECIPE, Notes()), "bias")
    return [
        (c.axis.label, c.current and c.current.label, c.lockin and c.lockin.label, c.direction, c.repeat) for c in found
    ]


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        (("V (mV)", "I (nA)"), [("V (mV)", "I (nA)", None, "", None)]),
        (("V (mV)", "I (nA)", "dI/dV (nS)"), [("V (mV)", "I (nA)", "dI/dV (nS)", "", None)]),
        (("V (mV)", "I 1 (nA)", "I 2 (nA)"), [("V (mV)", "I 1 (nA)", None, "", 1), ("V (mV)", "I 2 (nA)", None, "", 2)]),
        # each signal goes to the axis before it
        (("V1 (mV)", "I1 (nA)", "V2 (mV)", "I2 (nA)"), [("V1 (mV)", "I1 (nA)", None, "", 1), ("V2 (mV)", "I2 (nA)", None, "", 2)]),
        # or to the one of its direction
        (("V up (mV)", "V down (mV)", "I down (nA)", "I up (nA)"),
         [("V down (mV)", "I down (nA)", None, "down", None), ("V up (mV)", "I up (nA)", None, "up", None)]),
        # one of each, one without a direction: they belong together
        (("V (mV)", "I (nA)", "dI/dV forward (nS)"), [("V (mV)", "I (nA)", "dI/dV forward (nS)", "", None)]),
        # the same name twice is counted
        (("V (mV)", "I (nA)", "I (nA)"), [("V (mV)", "I (nA)", None, "", 1), ("V (mV)", "I (nA)", None, "", 2)]),
    ],
)  # fmt: skip
def test_signals_find_their_axis(names, expected):
    assert channels(*names) == expected


def test_rows_of_a_long_table_are_parted_by_sweep_in_the_order_of_the_file():
    table = block("V (mV)", "I (nA)", sweep=["b", "b", "b", "a", "a", "a"], tip=["x"] * 3 + ["y"] * 3)
    groups = groups_of(roles_of(table, NO_RECIPE, Notes()), table, Notes())
    assert [(g.label, list(g.rows), g.values["tip"]) for g in groups] == [("b", [0, 1, 2], "x"), ("a", [3, 4, 5], "y")]


def test_a_column_that_changes_with_each_row_parts_nothing_and_it_is_said():
    notes = Notes()
    table = block("V (mV)", "I (nA)", **{"temperature (K)": [4.0, 4.1, 4.2, 4.3, 4.4, 4.5]})
    (group,) = groups_of(roles_of(table, NO_RECIPE, Notes()), table, notes)
    assert group.rows == slice(None)
    assert "changes from row to row" in notes[0]


def test_a_clock_is_of_one_sweep_only():
    roles = roles_of(block("V (mV)", "I (nA)", "time (s)"), NO_RECIPE, Notes())
    clock = clock_of(roles, channels_of(roles, "bias"))
    assert clock is not None
    assert clock.label == "time (s)"
    two = roles_of(block("V (mV)", "I 1 (nA)", "I 2 (nA)", "time (s)"), NO_RECIPE, Notes())
    assert clock_of(two, channels_of(two, "bias")) is None
