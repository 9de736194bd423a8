"""One sweep as arrays: its flags sit where the faults were put, and what is shown of it is what the analysis used."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

import sts
from sts.analysis.sweep_view import BiasView, HeightView, curves_of, view_of
from sts.barrier import local_barrier
from sts.simulate import Bench

POINTS = 200
ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def measured(demo_measured):
    return demo_measured


@pytest.fixture
def gold(tmp_path):
    """The demo's spectra of one set-point, to be changed."""
    files = sorted((ROOT / "data/demo/iv").glob("gold_100pA*"))
    sts.import_files(files, tmp_path / "gold.h5", logbook=ROOT / "data/demo/logbook.csv")
    return sts.Session.open(tmp_path / "gold.h5")


def ramps(tmp_path, change=None, *, sweeps=8, full_scale_A=np.nan, points=POINTS, name="heron"):
    """A session of invented I(z) sweeps, changed by `change(height, current)`; the analysis of it."""
    height = (0.0, 6e-10, points)
    made = sts.simulate_iz(barrier_eV=4.0, height=height, sweeps=sweeps,
                           bench=Bench(white_A=2e-13, gap_noise=0.005), seed=5)  # fmt: skip
    axis, current = made.sweeps.axis, made.sweeps.current.copy()
    if change is not None:
        change(axis, current)
    np.savez(tmp_path / f"{name}.npz", height_m=axis, current_A=current)
    values = {"tip": name} | ({} if np.isnan(full_scale_A) else {"full_scale_A": full_scale_A})
    sts.import_files([tmp_path / f"{name}.npz"], tmp_path / "made.h5", values=values)
    found = sts.measure(tmp_path / "made.h5")
    return found, found.summarise(sts.Session.open(tmp_path / "made.h5").decisions())


def place_of(view, flag):
    return [place for place in view.places if place.flag == flag]


def test_a_jump_sits_at_the_height_at_which_it_was_put(tmp_path):
    def jump(height, current):
        current[2, 90:] *= 2.5

    view = view_of(*ramps(tmp_path, jump), "heron_3")
    (place,) = place_of(view, "jump")
    step = np.diff(view.height_m)[0]
    assert place.kind == "point"
    assert_allclose(place.first, view.height_m[90], atol=2 * step)
    assert "current ×" in place.words
    assert not view.used
    assert view.decided_by == "rule"


def test_samples_at_the_limit_are_masked_and_shown_where_they_are(tmp_path):
    def clip(height, current):
        current[1] = np.minimum(current[1], np.sort(current[1])[-25])

    view = view_of(*ramps(tmp_path, clip), "heron_2")
    (place,) = place_of(view, "saturated")
    assert place.kind == "span"
    assert (place.first, place.last) == (view.height_m[0], view.height_m[np.flatnonzero(view.masked["saturated"])[-1]])
    assert 20 <= view.masked["saturated"].sum() <= 30
    assert np.isnan(view.residual[view.masked["saturated"]]).all()


def test_settling_and_a_hump_are_masked_under_their_own_names(tmp_path):
    def both(height, current):
        current[0, :3] *= 4.0
        current[4] *= np.exp(0.8 * np.exp(-0.5 * ((np.arange(POINTS) - 100) / 8) ** 2))

    found = ramps(tmp_path, both)
    first, fifth = view_of(*found, "heron_1"), view_of(*found, "heron_5")
    assert np.flatnonzero(first.masked["settling"]).tolist() == [0, 1, 2]
    (place,) = place_of(fifth, "hump")
    assert place.first < fifth.height_m[100] < place.last
    assert set(fifth.masked) == {"hump"}


def test_the_step_of_a_converter_is_a_size_along_the_current(tmp_path):
    step = 4e-12

    def coarse(height, current):
        current[:] = np.round(current / step) * step

    (place,) = place_of(view_of(*ramps(tmp_path, coarse), "heron_1"), "coarse steps")
    assert place.kind == "level"
    assert_allclose(place.size, step, rtol=0.01)


def test_the_arrays_are_those_of_the_fit(measured, analysis):
    """Of sweeps in the middle of their set: what one row says is not taken from another."""
    for number, fit in enumerate(measured.fits):
        row = len(fit.table) // 2 + number
        name = fit.table["sweep"].iloc[row]
        view = view_of(measured, analysis, name)
        assert isinstance(view, HeightView)
        assert view.height_m[0] == 0
        assert_allclose(view.current_A, fit.current[row])
        assert_allclose(view.residual, fit.residual[row])
        assert_allclose(view.fitted_A[fit.used_points[row]], fit.fitted[row][fit.used_points[row]])
        assert_allclose(view.local_eV, local_barrier(fit).barrier_eV[row])
        assert (
            ~fit.used_points[row] == np.logical_or.reduce([*view.masked.values(), np.zeros(view.height_m.size, bool)])
        ).all()
        assert view.window_m == pytest.approx(
            (fit.fits.lowest[row] - fit.height[0], fit.fits.highest[row] - fit.height[0])
        )
        assert view.barrier_eV == fit.table["barrier_eV"].iloc[row]


def test_a_spectrum_s_sweep_is_seen_through_the_operator_of_its_group(measured, analysis):
    checked = 0
    for spectrum in analysis.spectra.spectra[:6]:
        name = spectrum.sweeps[len(spectrum.sweeps) // 2]
        view = view_of(measured, analysis, name)
        if view.group != spectrum.label or not np.isfinite(spectrum.current).any():
            continue
        row, own = spectrum.sweeps.index(name), np.isfinite(view.didv)
        assert isinstance(view, BiasView)
        assert own.sum() > 0.9 * own.size
        tiny = 1e-9 * np.nanmax(np.abs(spectrum.didv_each))
        if not view.masked:
            # I(0) = 0 is demanded of a sweep as it is of the mean; a constant does not change the derivative.
            assert_allclose(view.didv[own], spectrum.didv_each[row][own], atol=tiny)
            checked += 1
        assert_allclose(view.group_didv, spectrum.didv)
        assert view.in_group
    assert checked >= 2


def test_a_sweep_left_out_is_shown_as_it_would_be_if_it_were_used(gold):
    """The same smoothing width stated: then the operator does not hang on who is used."""
    plan = sts.Plan.model_validate({"spectra": {"smoothing_width_V": 0.05}})
    measured = sts.measure(gold, plan)
    before = measured.summarise(gold.decisions())
    name = before.spectra.spectra[0].sweeps[1]
    used = view_of(measured, before, name)
    gold.mark([name], "omit", "for comparison")
    left_out = view_of(measured, measured.summarise(gold.decisions()), name)
    assert (left_out.used, left_out.in_group, left_out.decided_by) == (False, False, "person")
    assert left_out.decision == "omit: for comparison"
    assert_allclose(left_out.didv, used.didv, rtol=0.05)  # offsets are found without it


def test_without_a_spectrum_the_arrays_are_empty_and_say_why(gold):
    measured = sts.measure(gold)
    group = measured.summarise(gold.decisions()).spectra.spectra[0]
    gold.mark([*group.sweeps, *group.omitted], "omit", "all of it")
    view = view_of(measured, measured.summarise(gold.decisions()), group.sweeps[0])
    assert np.isnan(view.didv).all()
    assert np.isnan(view.group_didv).all()
    assert view.didv.shape == view.bias_V.shape
    assert "no spectrum of its group" in view.no_group


def of_text(folder, columns, rows):
    """What is made of sweeps written as text, one file each."""
    folder.mkdir()
    for number, values in enumerate(rows):
        np.savetxt(folder / f"s{number}.txt", np.column_stack(values), header=columns, delimiter="\t", comments="")
    sts.import_files([folder], folder / "made.h5", values={"tip": "heron"})
    measured = sts.measure(folder / "made.h5")
    return measured, measured.summarise(sts.Session.open(folder / "made.h5").decisions())


def test_a_lockin_channel_stands_beside(tmp_path):
    """Recorded beside the current, in its own unit; and alone, where it is all there is of dI/dV."""
    bias = np.linspace(-0.5, 0.5, 101)
    sizes = np.linspace(0.95, 1.05, 6)
    both = [(bias, k * 1e-9 * bias * (1 + bias**2), k * 1e-9 * (1 + 3 * bias**2)) for k in sizes]
    view = view_of(*of_text(tmp_path / "both", "bias (V)\tcurrent (A)\tdI/dV (S)", both), "s3")
    assert_allclose(view.lockin, both[3][2])
    assert view.lockin_unit == "S"
    assert_allclose(view.didv, both[3][2], rtol=0.03)
    measured, analysis = of_text(tmp_path / "alone", "bias (V)\tlock-in (V)", [(v, g) for v, _, g in both])
    view = view_of(measured, analysis, "s3")
    assert_allclose(view.didv, both[3][2])
    assert view.didv_unit == "V"
    assert_allclose(curves_of(measured, ["s3"])[0].current_A, both[3][2])


def test_the_others_of_the_site_are_named_and_their_currents_had(measured, analysis):
    view = view_of(measured, analysis, "heron_s1_r1_retract")
    table = measured.judge(analysis.decisions)
    site = table[(table["tip"] == "heron") & (table["site"] == view.labels["site"]) & (table["kind"] == "iz")]
    assert set(view.beside) == set(site["sweep"]) - {view.sweep}
    curves = curves_of(measured, view.beside)
    assert tuple(curve.sweep for curve in curves) == view.beside
    assert all(curve.x[0] == 0 for curve in curves)


def test_a_name_that_is_not_there_is_answered_with_those_near_to_it(measured, analysis):
    with pytest.raises(KeyError, match=r"no such sweep 'heron_s1_r1_retrac'; near to it: heron_s1_r1_retract"):
        view_of(measured, analysis, "heron_s1_r1_retrac")


def test_a_view_of_thousands_of_sweeps_is_a_look_up(tmp_path):
    """At most 20 ms of the processor each is wanted; three times that allows for a busy machine."""
    measured, analysis = ramps(tmp_path, sweeps=2000, points=64)
    view_of(measured, analysis, "heron_0001")  # indexes
    started = time.process_time()
    names = measured.sets[0].names[::100]
    for name in names:
        view_of(measured, analysis, name)
    assert (time.process_time() - started) / len(names) < 0.06
