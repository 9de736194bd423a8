"""Every field of a result says in the class' docstring what it is."""

from __future__ import annotations

import inspect
import re
from dataclasses import fields, is_dataclass
from importlib import import_module

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
