"""Every model of the list: its shape against another route, planted parameters back, honest intervals, shown everywhere."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import cumulative_trapezoid
from sharing import unprinted

import sts
from sts import figures
from sts.cli import main
from sts.curves.smoothing import make_smoother
from sts.plan import FeaturesPlan, Plan
from sts.report.write import result_tables
from sts.simulate import superconductor, tunnel_conductance
from sts.spectra.models import MODELS, Measured
from sts.spectra.models.inelastic import inelastic_step
from sts.spectra.models.resonance import fano
from sts.spectra.models.superconductor import superconducting_conductance
from sts.spectra.resolution import thermal_kernel, thermal_kernel_second


def seen(bare: Callable[[Any], Any], temperature: float) -> Callable[[Any], Any]:
    """A bare line convolved with -df/dE by trapezoids."""
    e = np.linspace(-40, 40, 4001) * 8.617333262e-5 * temperature
    return lambda v: np.array([np.trapezoid(bare(x + e) * thermal_kernel(e, temperature), e) for x in v])


def stepped(v: Any) -> Any:
    """Steps at ±18 meV, 8 K: the published kernel of d²I/dV² summed up from zero bias."""
    fine = np.linspace(-0.06, 0.06, 24001)
    rise = thermal_kernel_second(fine - 0.018, 8.0) - thermal_kernel_second(fine + 0.018, 8.0)
    total = cumulative_trapezoid(rise, fine, initial=0.0)
    return 1 + 0.1 * np.interp(v, fine, total - total[0] + 1)


@dataclass(frozen=True)
class Case:
    """One model with known parameters: dI/dV by a route of its own, and the line shape of the model for it."""

    key: str
    truth: dict[str, float]  # SI, by parameter
    conductance: Callable[[Any], Any]  # by another route
    line: Callable[[Any], Any]  # by the model's own shape
    reach_V: float
    temperature_K: float
    wrong: Callable[[Any], Any]  # dI/dV that is not of this model


CASES = (
    Case(
        "superconductor", {"gap": 1.35e-3, "broadening": 5e-5},
        lambda v: tunnel_conductance(v, superconductor(gap_eV=1.35e-3, broadening_eV=5e-5), temperature_K=1.8),
        lambda v: superconducting_conductance(v, 1.35e-3, 5e-5, temperature_K=1.8),
        6e-3, 1.8, lambda v: 1 + 0.3 * np.sin(v / 4e-4),
    ),
    Case(
        "resonance", {"centre": 3e-3, "width": 12e-3, "q": 0.8},
        seen(lambda v: fano(v, 3e-3, 12e-3, 0.8, 1.0, 4.0), 4.2),
        seen(lambda v: 4 + ((v - 3e-3) / 6e-3 + 0.8) ** 2 / (1 + ((v - 3e-3) / 6e-3) ** 2), 4.2),
        0.04, 4.2, lambda v: 1 + 0.3 * np.sin(v / 3e-3),
    ),
    Case(
        "inelastic_step", {"energy": 0.018, "size": 0.1, "asymmetry": 0.0},
        stepped,
        lambda v: inelastic_step(v, 0.018, 0.1, 1.0, temperature_K=8.0),
        0.04, 8.0, lambda v: 1 + 0.3 * np.sin(v / 3e-3),
    ),
)  # fmt: skip
each_case = pytest.mark.parametrize("case", CASES, ids=lambda case: case.key)


def model_of(case: Case) -> Any:
    return next(model for model in MODELS if model.key == case.key)


@cache
def current_of(key: str) -> tuple[Any, Any]:
    """Bias [V] and current [A] without noise: the integral of dI/dV from zero bias."""
    case = next(case for case in CASES if case.key == key)
    v, fine = (np.linspace(-case.reach_V, case.reach_V, points) for points in (241, 1201))
    current = np.interp(v, fine, cumulative_trapezoid(case.conductance(fine), fine, initial=0.0))
    return v, current - np.interp(0.0, v, current)


def repeats(case: Case, seed: int, *, count: int = 12) -> tuple[Any, Any, Any]:
    """Bias [V], current [A] without noise, and the white noise of its repeats (count, n)."""
    v, current = current_of(case.key)
    return v, current, 4e-4 * case.reach_V * np.random.default_rng(seed).standard_normal((count, v.size))


def test_every_model_has_a_case_and_every_case_a_model() -> None:
    assert [case.key for case in CASES] == [model.key for model in MODELS]


@each_case
def test_the_line_shape_is_that_of_another_route(case: Case) -> None:
    v = np.linspace(-case.reach_V, case.reach_V, 41)
    assert_allclose(case.line(v), case.conductance(v), rtol=3e-3)


@each_case
def test_planted_parameters_come_back_and_intervals_hold(case: Case) -> None:
    """20 smoothed spectra: within 2 standard uncertainties in 95 %; 15 of 20 or fewer has a chance of 2e-3."""
    model, inside = model_of(case), dict.fromkeys(case.truth, 0)
    for seed in range(20):
        v, clean, noise = repeats(case, seed)
        smoother = make_smoother(v, width_V=case.reach_V / 15)
        each = smoother.differentiate(clean + noise)
        error = np.sqrt(np.cov(each.T).diagonal() / len(each))
        measured = Measured(v, each.mean(axis=0), error, case.temperature_K, smoother=smoother)
        fit = model.fit(measured)
        assert fit.verdict == "good"
        for name, true in case.truth.items():
            assert abs(fit.values[name] - true) < 5 * fit.errors[name]
            inside[name] += abs(fit.values[name] - true) < 2 * fit.errors[name]
    assert min(inside.values()) >= 16, inside


@each_case
def test_what_the_model_does_not_describe_is_not_called_good(case: Case) -> None:
    v = np.linspace(-case.reach_V, case.reach_V, 241)
    fit = model_of(case).fit(Measured(v, case.wrong(v), np.full(v.size, 0.01), case.temperature_K))
    assert fit.verdict.startswith(("poor", "refused"))


@each_case
@pytest.mark.parametrize(
    ("temperature", "points", "words"), [(np.nan, 241, "not recorded"), (4.2, 5, "5 usable points")]
)
def test_what_cannot_be_fitted_is_refused_with_the_reason(
    case: Case, temperature: float, points: int, words: str
) -> None:
    v = np.linspace(-case.reach_V, case.reach_V, points)
    fit = model_of(case).fit(Measured(v, np.ones(points), np.ones(points), temperature))
    assert fit.verdict.startswith("refused")
    assert words in fit.verdict
    assert np.isnan(fit.fitted).all()
    row = model_of(case).row(fit)
    shown = [p for p in model_of(case).parameters if p.name != "temperature"]
    assert all(np.isnan(row[column]) for p in shown for column in model_of(case).columns(p))


# --- shown everywhere -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module", params=CASES, ids=lambda case: case.key)
def shown(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Case, Any, Path, Path]:
    """A session of eight sweeps, analysed with the model asked for, and its results."""
    case, folder = request.param, tmp_path_factory.mktemp(request.param.key)
    v, clean, noise = repeats(case, 1, count=8)
    for i, current in enumerate(1e-9 * (clean + noise)):
        rows = "\n".join(f"{x:.9g},{y:.9g}" for x, y in zip(v, current, strict=True))
        (folder / f"niobium_{i}.csv").write_text(f"Bias (V),Current (A)\n{rows}\n", encoding="utf-8")
    values = {"sample": "niobium", "tip": "heron", "temperature_K": f"{case.temperature_K}"}
    sts.import_files(sorted(folder.glob("*.csv")), folder / "session.h5", values=values)
    plan = Plan.model_validate({
        "features": {case.key: True, "gap": False, "peaks": False}, "spectra": {"smoothing_width_V": case.reach_V / 15}
    })  # fmt: skip
    analysis = sts.analyse(folder / "session.h5", plan)
    with pytest.MonkeyPatch.context() as patch:
        unprinted(patch)
        sts.write_results(analysis, folder / "results")
    (folder / "plan.toml").write_text(sts.write_toml(plan), encoding="utf-8")
    return case, analysis, folder / "results", folder


def test_values_and_verdict_reach_the_table(shown: tuple[Case, Any, Path, Path]) -> None:
    case, analysis, _, _ = shown
    row = result_tables(analysis)["spectra_summary.csv"].iloc[0]
    assert row[case.key] == "good"
    for parameter in model_of(case).parameters:
        value, error = model_of(case).columns(parameter)
        if parameter.name in case.truth:
            assert abs(row[value] / parameter.scale - case.truth[parameter.name]) < 4 * row[error] / parameter.scale


def test_values_and_verdict_reach_page_and_references(shown: tuple[Case, Any, Path, Path]) -> None:
    case, _, results, _ = shown
    page, model = (results / "report.html").read_text(encoding="utf-8"), model_of(case)
    assert f"{model.title}: niobium" in page
    assert all(p.heading in page for p in model.parameters if p.name in case.truth)
    assert f"{model.parameters[0].symbol} = " in page
    assert "Reduced chi²" in page
    references = (results / "references.bib").read_text(encoding="utf-8")
    assert model.cites in references
    assert not [m.cites for m in MODELS if m is not model and m.cites in references]


def test_curve_and_residuals_reach_figure_and_arrays(shown: tuple[Case, Any, Path, Path]) -> None:
    case, analysis, results, _ = shown
    spectrum = analysis.spectra.spectra[0]
    fit = spectrum.fits[case.key]
    behind = (results / "figures" / f"{case.key}_1.csv").read_text(encoding="utf-8")
    assert all(series in behind for series in ("mean", "model", "residual"))
    with h5py.File(results / "results.h5") as file:
        group = file[f"spectrum_001/fits/{case.key}"]
        assert_allclose(group["fitted"][:], fit.fitted)
        assert_allclose(group["residual"][:], fit.residual)
        assert group["fitted"].attrs["units"] == "S"
        assert group.attrs["verdict"] == "good"
        assert all(group.attrs[name] == value for name, value in fit.values.items())
    found = json.loads((results / "results.json").read_text(encoding="utf-8"))["spectra"]["each"][0]["fits"]
    assert list(found) == [case.key]
    assert found[case.key]["values"] == pytest.approx(fit.values)
    assert found[case.key]["errors"] == pytest.approx(fit.errors)


@pytest.mark.usefixtures("unprinted")
def test_values_and_verdict_reach_the_terminal(
    shown: tuple[Case, Any, Path, Path], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    case, _, _, folder = shown
    assert (
        main(["spectra", str(folder / "session.h5"), "--out", str(tmp_path / "o"), "--plan", str(folder / "plan.toml")])
        == 0
    )
    said = capsys.readouterr().out
    assert model_of(case).title in said
    assert model_of(case).parameters[0].symbol in said
    assert "good" in said


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.key)
def test_keys_columns_and_source_are_documented(model: Any) -> None:
    root = Path(__file__).resolve().parents[3]
    assert FeaturesPlan.model_fields[model.key].default is False
    assert set(model.options) <= set(FeaturesPlan.model_fields)
    columns = (root / "docs" / "reference" / "columns.md").read_text(encoding="utf-8")
    assert all(f"`{name}`" in columns for name in model.meanings())
    assert f'key = "{model.cites}"' in (root / "sts" / "report" / "citations.toml").read_text(encoding="utf-8")


def test_a_model_that_was_not_fitted_is_not_drawn(shown: tuple[Case, Any, Path, Path]) -> None:
    case, analysis, _, _ = shown
    other = next(model for model in MODELS if model.key != case.key)
    with pytest.raises(ValueError, match=f"features.{other.key} = true"):
        figures.plot_model_fit(analysis.spectra.spectra[0], other)
