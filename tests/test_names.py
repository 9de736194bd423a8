"""The top-level names: each has an example that runs, and nothing in the package leans on the package's face."""

from __future__ import annotations

import ast
import doctest
import sys
from pathlib import Path

import numpy as np
import pytest

import sts

NAMES = [name for name in sts.__all__ if name != "__version__"]


def example(name: str) -> doctest.DocTest:
    """The example in the docstring of a name; a value has that of its module."""
    found = getattr(sts, name)
    home = sys.modules[next(home for home, names in sts._HOMES.items() if name in names)]
    text = (found.__doc__ if callable(found) else home.__doc__) or ""
    return doctest.DocTestParser().get_doctest(text, {"sts": sts, "np": np}, f"sts.{name}", None, 0)


@pytest.mark.parametrize("name", NAMES)
def test_every_name_has_an_example_that_prints_what_it_says(name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # an example may write files
    test = example(name)
    assert any(step.want for step in test.examples), f"{name} has no example with a result"
    said: list[str] = []
    doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE).run(test, out=said.append)
    assert not said, "".join(said)


@pytest.mark.parametrize("path", sorted(Path(sts.__file__).parent.rglob("*.py")), ids=str)
def test_modules_import_at_their_top_from_where_a_thing_is_and_not_from_the_face(path):
    """`sts` reaches up to every layer, so a module that imports it when it is loaded would lean on those above it."""
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        assert not (isinstance(node, ast.ImportFrom) and node.module == "sts"), f"{path.name}:{node.lineno}"
        assert not (isinstance(node, ast.Import) and any(a.name == "sts" for a in node.names)), path.name


def test_a_type_checker_is_told_of_the_same_names_from_the_same_places() -> None:
    tree = ast.parse(Path(sts.__file__).read_text(encoding="utf-8"))
    told = {
        (node.module, name.name)
        for branch in tree.body
        if isinstance(branch, ast.If) and ast.unparse(branch.test) == "TYPE_CHECKING"
        for node in branch.body
        if isinstance(node, ast.ImportFrom)
        for name in node.names
        if name.asname == name.name  # else it is not handed on
    }
    assert told == {(home, name) for home, names in sts._HOMES.items() for name in names}
