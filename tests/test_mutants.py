"""The script that changes code to see whether tests notice: one change at a time, and a change that tells is noticed."""

from __future__ import annotations

import ast

import coverage
import mutants
import pytest
from _who_runs import who_runs

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


def test_the_lines_of_a_change_are_those_of_its_statement():
    source = (
        "@dataclass(frozen=True)\nclass A:\n    x: int = 3\n\n\n"
        "def f(a):\n    if a > 1 and (\n        a < 5\n    ):\n"
        "        return g(\n            a + 2,\n        )\n    return 4\n"
    )
    found = {change: mutants.statement(source, k) for k, (_, change) in enumerate(mutants.changes(source))}
    assert found["True to False"] == range(1, 3)
    assert found["3 to 4"] == range(3, 4)
    assert found["Gt to LtE"] == found["Lt to GtE"] == range(7, 10)
    assert found["Add to Sub"] == range(10, 13)
    assert found["4 to 5"] == range(13, 14)


def test_tests_that_run_a_line_are_read_from_the_record(tmp_path):
    record = coverage.CoverageData(str(tmp_path / "record"))
    for context, lines in {
        "": [1, 2, 10],
        "tests/a/test_x.py::test_one|run": [3, 4],
        "tests/a/test_x.py::test_two[p]|run": [4],
        "tests/a/test_unchanged.py::test_kept|run": [4, 5],
        "tests/a/test_y.py::test_first|setup": [6],
    }.items():
        record.set_context(context)
        record.add_lines({str(tmp_path / "sts" / "a" / "x.py"): lines})
    record.write()

    def tests(*lines: int) -> list[str] | None:
        return who_runs(tmp_path / "record", "sts/a/x.py", lines)

    one, two = "tests/a/test_x.py::test_one", "tests/a/test_x.py::test_two[p]"
    assert tests(3) == [one]
    assert tests(4) == [one, two]  # not what only compares with kept texts
    assert tests(5) == tests(7) == []
    assert tests(6) is None  # by a fixture: any test may notice
    assert tests(2) is None  # when it is imported: whoever runs anything of the file, here a fixture
    assert who_runs(tmp_path / "record", "sts/a/other.py", [1]) == []
