"""The invented afternoon in air: made anew byte for byte, in rows as such benches export them, with the faults it tells of."""

from __future__ import annotations

import json
import re
from pathlib import Path

import make_demo_air
import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts import Plan, Session, import_files, measure, view_of
from sts.analysis.measured_again import measure_again
from sts.quantities import decay_from_barrier

DEMO = Path(__file__).resolve().parent.parent / "data" / "demo-air"
TRUTH = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
FILES = sorted(path.relative_to(DEMO).as_posix() for path in DEMO.glob("*/*.csv"))
HEIGHTS = [name for name in FILES if name.startswith("IZ")]


def rows(name: str) -> np.ndarray:
    """Axis and current of a file, (2, 256), by numpy alone."""
    return np.loadtxt(DEMO / name, delimiter=";")


def test_the_seed_makes_every_file_again_byte_for_byte(tmp_path, monkeypatch):
    monkeypatch.setattr(make_demo_air, "DEMO", tmp_path)
    make_demo_air.main()
    made = {p.relative_to(tmp_path): p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    kept = {p.relative_to(DEMO): p.read_bytes() for p in DEMO.rglob("*") if p.is_file() and p.name != "README.md"}
    assert made.keys() == kept.keys()
    assert [str(name) for name in made if made[name] != kept[name]] == []


def test_it_is_small_and_says_that_it_is_invented():
    assert len(FILES) == 30
    assert sum(p.stat().st_size for p in DEMO.rglob("*") if p.is_file()) < 4e5
    assert "invented" in (DEMO / "README.md").read_text(encoding="utf-8")
    assert "not measured" in TRUTH["note"]


@pytest.mark.parametrize("name", FILES)
def test_every_file_is_two_rows_of_256_numbers_with_nine_digits(name):
    lines = (DEMO / name).read_text(encoding="utf-8").splitlines()
    assert [len(line.split(";")) for line in lines] == [256, 256]
    assert all(re.fullmatch(r"-?\d\.\d{8}e[+-]\d\d", cell) for line in lines for cell in line.split(";"))


@pytest.mark.parametrize("name", HEIGHTS)
def test_heights_are_the_position_of_the_piezo_which_grows_towards_the_surface(name):
    z, current = rows(name)
    assert 73e-9 < z.min() < z.max() < 77e-9
    assert (np.diff(z) < 0).all()  # drawn back
    assert current[:20].mean() > 4 * current[-20:].mean()


@pytest.mark.parametrize("name", HEIGHTS)
def test_as_many_samples_are_at_the_setpoint_as_the_truth_says(name):
    current = rows(name)[1]
    told = TRUTH["settling"].get("IZ_Graphite/dunlin3_spec3.csv" if name == make_demo_air.COPY[1] else name, 0)
    assert (current > 5 * current[5]).sum() == told


@pytest.mark.parametrize("tip", TRUTH["tips"])
def test_slopes_with_the_offset_of_the_truth_are_those_of_its_barriers(tip):
    """A straight line by numpy through the upper decade, the true offset taken off; the noise leaves 12 % at a site."""
    for site in {key.split("/")[1] for key in TRUTH["sites"] if key.startswith(tip)}:
        slopes = []
        for name in HEIGHTS:
            if f"/{tip}{site}_" in name and name in TRUTH["offsets_pA"]:
                z, current = rows(name)
                current = current - TRUTH["offsets_pA"][name] * 1e-12
                keep = (np.arange(z.size) > 3) & (current > current[5] / 10)
                slopes.append(np.polyfit(z[keep], np.log(current[keep]), 1)[0])
        assert_allclose(np.mean(slopes), decay_from_barrier(TRUTH["sites"][f"{tip}/{site}"]), rtol=0.12)


def test_one_file_is_an_exact_copy_of_another():
    (copy, of), *_ = TRUTH["copies"].items()
    assert (DEMO / copy).read_bytes() == (DEMO / of).read_bytes()
    assert len({(DEMO / name).read_bytes() for name in FILES}) == 29


def test_mains_are_in_every_bias_sweep_and_the_start_relaxes_in_three():
    """Around a cubic through the middle, the strongest line of the spectrum is the ripple's; the start is off by the transient."""
    period = TRUTH["ripple"]["period_samples"]
    biases = [name for name in FILES if name.startswith("IV")]
    assert len(biases) == 7
    x = np.arange(256)
    for name in biases:
        current = rows(name)[1] * 1e12
        smooth = np.polyfit(x[130:250], current[130:250], 3)
        rest = (current - np.polyval(smooth, x))[130:250]
        assert np.argmax(np.abs(np.fft.rfft(rest))) == 120 / period
        wave = 2 / 120 * np.abs(np.fft.rfft(rest))[round(120 / period)]
        assert_allclose(wave, TRUTH["ripple"]["amplitude_pA"], rtol=0.35)
    for name, transient in TRUTH["transients"].items():
        current = rows(name)[1]
        start = current[:5].mean() * 1e12 + current[-5:].mean() * 1e12  # odd but for the offset, twice -4 pA
        assert_allclose(start + 8, transient["size_pA"], atol=40)


def test_one_import_reads_it_and_counts_the_copy_once(tmp_path):
    names = ["z (m), I (A)", "V (V), I (A)"]
    result = import_files([DEMO], tmp_path / "air.h5", rows=names, logbook=DEMO / "logbook.csv")
    assert (result.sweeps, result.left_out, len(result.repeated)) == (29, [], 1)
    table = Session.open(tmp_path / "air.h5").sweeps()
    heights = table[table["kind"] == "iz"]
    sites = {f"{tip}/{site}" for tip, site in zip(heights["tip"], heights["site"], strict=True)}
    assert sites == set(TRUTH["sites"])
    assert set(heights["bias_V"]) == {0.05}  # 0,05 in the logbook
    assert set(table["full_scale_A"]) == {8.5e-9}
    assert (table.loc[table["kind"] == "iv", "tip"] == "wren").all()
    assert (table["kind"] == "iv").sum() == 7


@pytest.fixture(scope="module")
def barrier(air_analysis):
    """The barriers of the demo by the whole analysis, everything by default."""
    return air_analysis.barrier


def test_tips_and_sites_lie_within_their_stated_intervals(barrier):
    truths = {
        "tips": (["tip"], {tip: told["barrier_eV"] for tip, told in TRUTH["tips"].items()}),
        "sites": (["tip", "site"], TRUTH["sites"]),
    }
    for level, (keys, truth) in truths.items():
        rows = getattr(barrier, level)
        names = ["/".join(map(str, key)) for key in rows[keys].itertuples(index=False, name=None)]
        assert sorted(names) == sorted(truth)
        for name, low, high in zip(names, rows["barrier_low_eV"], rows["barrier_high_eV"], strict=True):
            assert low <= truth[name] <= high, name
            assert high < 2 * low  # said closely enough to be worth saying


def test_no_sweep_is_lost_to_samples_at_the_setpoint(barrier):
    sweeps = barrier.sweeps
    assert sweeps["used"].all()
    settling = {Path(name).stem for name in TRUTH["settling"]} & set(sweeps["sweep"])
    assert set(sweeps.loc[sweeps["flags"].str.contains("settling"), "sweep"]) == settling
    assert len(settling) >= 14


@pytest.fixture(scope="module")
def spectra(air_session):
    """The I(V) sweeps of the demo measured, everything by default."""
    return measure(air_session, only="iv"), Session.open(air_session)


def test_the_sweeps_whose_start_relaxes_settle_and_no_other(spectra):
    """From the lowest bias on, over at least twice the true time constant; what is flagged is what is masked."""
    measured, _ = spectra
    rows = measured.flags[measured.flags["flag"] == "settling"].set_index("sweep")
    assert set(rows.index) == {Path(name).stem for name in TRUTH["transients"]}
    for name, row in rows.iterrows():
        number, at = measured.rows[name]
        hidden = np.isnan(measured.settled[number].current[at])
        axis = measured.sets[number].axis
        assert (axis[hidden].min(), axis[hidden].max()) == (row["first"], row["last"])
        assert row["first"] == axis[0]
        assert 2 * TRUTH["transients"][f"IV_Graphite/{name}.csv"]["samples"] < hidden.sum() <= 128


def test_mains_are_called_ripple_and_nothing_jumps_or_is_lost(spectra):
    """The 0.5 V sweeps are five of one axis; of the other two there is one each, in which nothing tells mains from spectrum."""
    measured, session = spectra
    assert "jump" not in set(measured.flags["flag"])
    rippled = measured.flags[measured.flags["flag"] == "ripple"]
    assert set(rippled["sweep"]) == {f"wren1_iv{number}" for number in range(1, 6)}
    assert_allclose(rippled["size"] * 1e12, TRUTH["ripple"]["amplitude_pA"], rtol=0.15)
    assert measured.judge(session.decisions())["used"].all()


def test_settled_sweeps_follow_settings_and_decisions(spectra):
    """Measured again under other rules as from the file, and the mean of the group is not bent by the sweep that settled."""
    measured, session = spectra
    plan = Plan.model_validate({"check": {"setpoint_tolerance": 0.5}})
    again, fresh = measure_again(measured, plan), measure(session, plan, only="iv")
    for one, other in zip(again.settled, fresh.settled, strict=True):
        np.testing.assert_array_equal(one.current, other.current)
    spectrum = next(s for s in measured.summarise(session.decisions()).spectra.spectra if "wren1_iv5" in s.sweeps)
    raw = next(part for part in measured.sets if "wren1_iv5" in part.names)
    four = np.delete(raw.current, raw.names.index("wren1_iv5"), axis=0).mean(axis=0)
    assert (
        np.abs(spectrum.current[:20] - four[:20]).mean() < np.abs(raw.current.mean(axis=0)[:20] - four[:20]).mean() / 3
    )


def test_what_settles_is_shown_as_masked(spectra):
    measured, session = spectra
    view = view_of(measured, measured.summarise(session.decisions()), "wren1_iv6")
    hidden = view.masked["settling"]
    assert np.isfinite(view.current_A).all()
    assert hidden[0]
    place = next(place for place in view.places if place.flag == "settling")
    assert (place.kind, place.first, place.last) == ("span", *view.bias_V[hidden][[0, -1]])
    assert np.isnan(view.didv[:10]).all()
