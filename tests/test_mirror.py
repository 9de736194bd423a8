"""Tests mirror modules: the test of a line is found under its module's name."""

from __future__ import annotations

from pathlib import Path

import pytest

import sts

PACKAGE = Path(sts.__file__).parent
TESTS = Path(__file__).parent
MODULES = sorted(path.relative_to(PACKAGE) for path in PACKAGE.rglob("*.py") if not path.name.startswith("_"))
# Modules still without a test file of their name. The list may only shrink: the test fails while one that has its file
# is on it.
WITHOUT_TESTS: set[str] = set()


@pytest.mark.parametrize("module", MODULES, ids=str)
def test_every_module_has_a_test_file_of_its_name(module: Path) -> None:
    found = (TESTS / module.parent / f"test_{module.name}").exists()
    if module.as_posix() in WITHOUT_TESTS:
        assert not found, f"{module} has its tests now: take it off the list"
    else:
        assert found, f"write tests/{module.parent.as_posix()}/test_{module.name}, or move what tests {module} there"


def test_the_list_of_modules_without_tests_holds_only_modules() -> None:
    assert {module.as_posix() for module in MODULES} >= WITHOUT_TESTS
