"""What a reader hands on: blocks that nobody changes, alike only if they are the same."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace

import numpy as np
import pytest

from sts.loaders.block import Block, Column, Entry


def test_blocks_with_arrays_can_be_compared_and_kept_in_sets():
    one, other = (Block([Column("V", "mV", np.zeros(3))], []) for _ in range(2))
    assert one != other  # and no ambiguous truth of an array
    assert len({one, other, one}) == 2


def test_a_block_is_changed_by_a_copy_only():
    block = Block([], [Entry("tip", "heron", "line 1")])
    with pytest.raises(FrozenInstanceError):
        block.place = "line 2"  # type: ignore[misc]
    assert replace(block, place="line 2").header is block.header


def test_notes_of_one_block_are_not_those_of_another():
    first, second = Block([], []), Block([], [])
    first.notes.append("a remark")
    assert second.notes == []
