"""Every public name says in its docstring what goes in (shape or unit), what comes out and what it refuses."""

from __future__ import annotations

import ast
import inspect
import re
import textwrap
from collections.abc import Callable

import pytest

import sts

NAMES = [name for name in sts.__all__ if callable(getattr(sts, name, None)) and name != "__version__"]
CLASSES = [name for name in NAMES if inspect.isclass(getattr(sts, name))]
FUNCTIONS = {name: getattr(sts, name) for name in NAMES if inspect.isfunction(getattr(sts, name))}
METHODS = {
    f"{name}.{member}": function
    for name in CLASSES
    for member, function in vars(getattr(sts, name)).items()
    if inspect.isfunction(inspect.unwrap(getattr(function, "__func__", function))) and not member.startswith("_")
}
# Arguments that are arrays or bare numbers: their text must give a shape, a unit in brackets, or the word for a pure number.
MEASURED = re.compile(r"_(V|A|K|S|m|s|eV|nm|per_m|se)$|^(bias|current|didv|didv_se|decay|axis|height)$")


def refuses(function: Callable[..., object]) -> bool:
    """Whether the function itself raises (and does not only pass an error on)."""
    tree = ast.parse(textwrap.dedent(inspect.getsource(inspect.unwrap(function)))).body[0]
    return any(isinstance(node, ast.Raise) and node.exc is not None for node in ast.walk(tree))


def text(function: Callable[..., object]) -> str:
    return inspect.getdoc(function) or ""


@pytest.mark.parametrize("name", NAMES)
def test_every_public_name_has_a_summary_of_one_line(name):
    first, *rest = text(getattr(sts, name)).splitlines()
    assert first.endswith((".", "?")), first
    assert not rest or rest[0] == ""


@pytest.mark.parametrize("name", [*FUNCTIONS, *METHODS])
def test_every_public_call_is_described(name):
    assert text({**FUNCTIONS, **METHODS}[name]), f"{name} has no docstring"


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_argument_is_named(name):
    function = FUNCTIONS[name]
    names = list(inspect.signature(function).parameters)
    if len(names) > 2:
        assert "Parameters\n----------" in text(function)
    missing = [argument for argument in names if not re.search(rf"\b{argument}\b", text(function))]
    assert len(names) == 1 or not missing, f"{name} does not say what {', '.join(missing)} is"


@pytest.mark.parametrize("name", FUNCTIONS)
def test_what_is_measured_has_a_unit_or_a_shape(name):
    function = FUNCTIONS[name]
    measured = [argument for argument in inspect.signature(function).parameters if MEASURED.search(argument)]
    if measured:
        assert re.search(r"\[(1/)?(V|A|K|S|m|s|eV|nm)(/\w+)?\]|shape", text(function)), f"{name}: {measured}"


@pytest.mark.parametrize("name", [*FUNCTIONS, *METHODS])
def test_what_is_refused_is_said(name):
    function = {**FUNCTIONS, **METHODS}[name]
    if refuses(function):
        assert "Raises\n------" in text(function), f"{name} raises and does not say so"


def test_most_functions_are_seen_by_these_tests():
    assert len(FUNCTIONS) > 20
    assert len(METHODS) > 10
    assert sum(refuses(function) for function in {**FUNCTIONS, **METHODS}.values()) > 10
