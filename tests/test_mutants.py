"""The script that changes code to see whether tests notice: one change at a time, and a change that tells is noticed."""

from __future__ import annotations

import ast

import mutants
import pytest

SOURCE = '''
def clipped(x: "float | int" = 2.0, *, low: int = 0) -> bool:
    """At least 3 words."""
    if x < low and x != 1:
        raise ValueError(f"{x + 1} is below.")
    return -x ** 2 + 4 > 0 or True
'''


def test_every_kind_of_place_is_found_once_and_texts_are_left_alone():
    assert sorted(change for _, change in mutants.changes(SOURCE)) == sorted([
        "2.0 to 3.0", "0 to 1", "Lt to GtE", "NotEq to Eq", "And to Or", "1 to 2", "minus to plus", "Pow to Mult", "2 to 3",
        "Add to Sub", "4 to 5", "Gt to LtE", "0 to 1", "Or to And", "True to False",
    ])  # fmt: skip


def test_each_change_is_another_program_that_can_be_read():
    plain = ast.unparse(ast.parse(SOURCE))
    found = {mutants.changed(SOURCE, number) for number in range(len(mutants.changes(SOURCE)))}
    assert len(found) == len(mutants.changes(SOURCE))
    assert plain not in found
    for text in found:
        ast.parse(text)
    with pytest.raises(ValueError, match="fewer than 100 places"):
        mutants.changed(SOURCE, 99)


def test_a_change_makes_the_difference_it_says():
    space: dict = {}
    number = [change for _, change in mutants.changes("ok = 1 < 2")].index("Lt to GtE")
    exec(mutants.changed("ok = 1 < 2", number), space)
    assert space["ok"] is False
