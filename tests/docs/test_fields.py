"""Every field of a result says in the class' docstring what it is."""

from __future__ import annotations

import ast
import inspect
import re
from dataclasses import fields, is_dataclass
from importlib import import_module
from pathlib import Path

import pytest

import sts

RESULTS = {
    "sts.analysis.results": ("Analysis", "BarrierAnalysis", "SpectraAnalysis"),
    "sts.analysis.record": ("TipRecord",),
    "sts.analysis.measured": ("Measured",),
    "sts.barrier.fit": ("BarrierFit",),
    "sts.barrier.local": ("LocalBarrier",),
    "sts.barrier.one_sweep": ("SingleBarrier",),
    "sts.comparing.by_hand": ("ByHand",),
    "sts.comparing.paired": ("StateComparison",),
    "sts.comparing.planning": ("Aim", "NextSession", "SiteScatter"),
    "sts.importing.labels": ("Annotated",),
    "sts.loaders.loaded": ("LoadedFile", "Preview"),
    "sts.provenance": ("Order",),
    "sts.session.adding": ("ImportResult",),
    "sts.simulate.simulated": ("Simulated",),
    "sts.spectra.lockin.comparison": ("LockinCalibration",),
    "sts.spectra.models.fitting": ("LineFit",),
    "sts.spectra.models.superconductor": ("SuperconductingGap",),
    "sts.spectra.single": ("SingleSpectrum",),
    "sts.spectra.spectrum": ("Offsets", "Resolution", "Spectrum"),
    "sts.sweeps": ("SweepSet",),
}
CLASSES = [getattr(import_module(home), name) for home, names in RESULTS.items() for name in names]


def described(cls: type) -> dict[str, str]:
    """Names in the docstrings of a class and of those it is made from, each with its text."""
    found: dict[str, str] = {}
    for one in reversed(cls.__mro__[:-1]):
        section = re.split(r"(?:Attributes|Parameters)\n-{10}\n", inspect.cleandoc(one.__dict__.get("__doc__") or ""))
        for entry in re.split(r"\n(?=\w)", section[1]) if len(section) > 1 else []:
            names, _, text = entry.partition("\n")
            found |= dict.fromkeys(re.findall(r"\w+", names.split(" : ")[0]), text.strip())
    return found


@pytest.mark.parametrize("cls", CLASSES, ids=lambda cls: cls.__name__)
def test_every_field_of_a_result_is_described(cls: type) -> None:
    assert is_dataclass(cls)
    known = described(cls)
    for field in fields(cls):
        if not field.name.startswith("_"):
            assert known.get(field.name), f"say what {cls.__name__}.{field.name} is, under Attributes in its docstring"


def test_every_result_of_a_public_function_is_looked_at() -> None:
    """By the names in the annotations of what they return; `Logbook`, `Recipe` and settings are what goes in.

    What pictures of a single sweep are drawn from (`view_of`, `curves_of`) has its words beside its fields.
    """
    returned: set[str] = set()
    for name in sts.__all__:
        thing = getattr(sts, name)
        if inspect.isfunction(inspect.unwrap(thing)):
            returned |= set(re.findall(r"\b[A-Z]\w+", str(inspect.signature(thing).return_annotation)))
    known = {cls.__name__ for cls in CLASSES} | {"BiasView", "Curve", "HeightView"}
    assert returned - known <= {"Any", "DataFrame", "Disagreement", "Logbook", "Path", "Plan", "Recipe"}


BUILT_UP = {  # filled in one piece after the other while a file is read or written; none is a result
    "Found", "KnownSweeps", "Metadata", "Run", "Writing", "_Found", "_Merging", "_OpenSet", "_Visit",
}  # fmt: skip
ARRAYS = re.compile(r"\b(Array|NDArray|ndarray|DataFrame|Series)\b")


def test_what_holds_results_cannot_be_written_over_and_arrays_are_not_compared() -> None:
    """`==` of two arrays has no truth (numpy's user guide); a frozen class says so when it is written to."""
    for path in sorted(Path(sts.__file__).parent.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ClassDef) and node.name not in BUILT_UP:
                made = {
                    d.func.id: d
                    for d in node.decorator_list
                    if isinstance(d, ast.Call) and isinstance(d.func, ast.Name)
                }
                how = (
                    {k.arg: ast.literal_eval(k.value) for k in made["dataclass"].keywords}
                    if "dataclass" in made
                    else None
                )
                bare = any(isinstance(d, ast.Name) and d.id == "dataclass" for d in node.decorator_list)
                kinds = " ".join(ast.unparse(part.annotation) for part in node.body if isinstance(part, ast.AnnAssign))
                if how is not None or bare:
                    assert (how or {}).get("frozen"), f"{path.name}: {node.name} can be written over"
                    if "simulate" not in path.parts and ARRAYS.search(kinds):
                        assert (how or {}).get("eq") is False, f"{path.name}: {node.name} compares arrays"
