"""The temperature of the electrons comes before that of the bath, and its uncertainty reaches the resolution."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import sts
from sts.analysis.tables import _summary
from sts.cli import main
from sts.curves.smoothing import make_smoother
from sts.plan import Plan
from sts.report.spectra_words import resolution_words
from sts.spectra.junction_temperature import junction_temperature, read_temperature, temperature_text
from sts.spectra.resolution import resolution

WIDTH = 4 * np.log(1 + np.sqrt(2)) * 8.617333262e-5  # V/K: half height of sech²(E/2kT), closed form; k: CODATA 2018


@pytest.mark.parametrize(
    ("cell", "value", "se"),
    [  # brackets: the uncertainty of the last digits, JCGM 100:2008 (GUM), 7.2.2
        ("1.2(1) K", 1.2, 0.1), ("1.20(12)", 1.2, 0.12), ("1,2(1) K", 1.2, 0.1), ("900(50) mK", 0.9, 0.05),
        ("1.2 ± 0.1 K", 1.2, 0.1), ("1.2 +/- 0.1 K", 1.2, 0.1), ("1.2 K", 1.2, np.nan), (1.2, 1.2, np.nan),
        ("", np.nan, np.nan), (np.nan, np.nan, np.nan),
    ],
)  # fmt: skip
def test_a_cell_is_read(cell: Any, value: float, se: float) -> None:
    assert_allclose(read_temperature(cell), (value, se))


@pytest.mark.parametrize("cell", ["warm", "0 K", "-1 K", "1.2(1) °C", "1.2(1) K or so", "nan K"])
def test_a_cell_that_cannot_be_read_is_refused(cell: str) -> None:
    with pytest.raises(ValueError, match=r"write it like 1.2\(1\) K"):
        read_temperature(cell)


def test_it_comes_before_the_bath_row_by_row() -> None:
    bath = pd.DataFrame({"temperature_K": [0.4, 0.4]})
    assert junction_temperature(bath).value == 0.4
    assert not junction_temperature(bath).measured
    both = junction_temperature(bath.assign(electron_temperature_mk=["1200(100)", 1200.0]))
    assert (both.value, both.bath, both.measured) == (1.2, 0.4, True)
    assert np.isnan(both.se)  # one row states none
    some = junction_temperature(bath.assign(electron_temperature=["1.2(1) K", ""]))
    assert np.isnan(some.value)  # 1.2 K and the bath's 0.4 K are not one temperature
    assert not some.measured
    unknown = junction_temperature(pd.DataFrame({"temperature_K": [np.nan], "electron_temperature": ["1.2(1) K"]}))
    assert (unknown.value, unknown.se, unknown.measured) == (1.2, pytest.approx(0.1), True)


def test_a_cell_that_cannot_be_read_names_its_sweep() -> None:
    table = pd.DataFrame(
        {"sweep": ["lead_1", "lead_2"], "temperature_K": 0.4, "electron_temperature": ["1.2(1) K", "warm"]}
    )
    with pytest.raises(ValueError, match=r"lead_2: The electron temperature 'warm' cannot be read"):
        junction_temperature(table)


@pytest.mark.parametrize(
    ("value", "se", "text"), [(1.2, 0.1, "1.20(10) K"), (0.30123, 0.0042, "0.3012(42) K"), (8, 12, "8(12) K")]
)
def test_what_is_written_is_read_again(value: float, se: float, text: str) -> None:
    assert temperature_text(value, se) == text
    assert_allclose(read_temperature(text), (value, se), rtol=1e-3)


def test_the_resolution_and_its_uncertainty_are_those_of_the_electrons() -> None:
    made = sts.simulate_iv(density="flat", bias=(-6e-3, 6e-3, 121), sweeps=4, temperature_K=1.2, seed=1).sweeps
    table = made.table.assign(temperature_K=0.4, modulation_V=1e-4)
    found = sts.average_spectrum(made.with_table(table.assign(electron_temperature="1.2(1) K")))
    r = found.resolution
    assert_allclose(r.thermal_V, WIDTH * 1.2, rtol=1e-6)
    assert (r.electron_temperature_K, r.bath_temperature_K) == (1.2, 0.4)
    # Outside check: temperatures drawn from what was stated, each with its resolution (JCGM 101:2008).
    drawn = np.random.default_rng(2).normal(1.2, 0.1, 60)
    assert found.smoothed_as is not None
    kernel = make_smoother(made.axis, **found.smoothed_as._asdict()).kernel()
    widths = [resolution(temperature_K=t, modulation_rms_V=1e-4, smoothing_kernel=kernel).total_V for t in drawn]
    assert_allclose(r.total_se_V, np.std(widths) * 0.1 / np.std(drawn), rtol=0.05)
    row = _summary(found, Plan())
    assert row["temperature_K"] == pytest.approx(1.2)
    assert row["resolution_se_meV"] == pytest.approx(1e3 * r.total_se_V)
    words = resolution_words([found])
    assert "electron temperature 1.2 ± 0.1 K, measured; bath 0.4 K" in words
    plain = sts.average_spectrum(made.with_table(table))
    assert_allclose(plain.resolution.thermal_V, WIDTH * 0.4, rtol=1e-6)
    assert np.isnan(plain.resolution.total_se_V)
    assert "electron" not in resolution_words([plain])
    assert "electron_temperature_K" not in _summary(plain, Plan())


@pytest.mark.usefixtures("unprinted")
def test_a_label_of_the_command_line_reaches_the_table(tmp_path: Path) -> None:
    v = np.linspace(-6e-3, 6e-3, 61)
    for k in range(3):
        noise = np.random.default_rng(k).normal(0, 1e-13, v.size)
        pd.DataFrame({"bias (V)": v, "current (A)": 1e-7 * v + noise}).to_csv(tmp_path / f"flat_{k}.csv", index=False)
    files = sorted(map(str, tmp_path.glob("*.csv")))
    said = ["--set", "tip=heron", "--set", "temperature=0.4 K", "--set", "electron_temperature=1.2(1) K"]
    assert main(["import", *files, "--into", str(tmp_path / "s.h5"), *said]) == 0
    assert main(["spectra", str(tmp_path / "s.h5"), "--out", str(tmp_path / "out")]) == 0
    row = pd.read_csv(next(tmp_path.rglob("spectra_summary.csv")), comment="#").iloc[0]
    assert row["electron_temperature_K"] == pytest.approx(1.2)
    assert row["electron_temperature_se_K"] == pytest.approx(0.1)
    assert row["bath_temperature_K"] == pytest.approx(0.4)
