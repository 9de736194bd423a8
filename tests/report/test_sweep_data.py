"""The block of data behind the pictures of the page: right currents, small, escaped, and drawn when a row is opened."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

import sts
from sts.report.sweep_data import MOST_POINTS, sweep_block
from sts.simulate import Bench


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """I(z) of 400 points with a jump, I(V), and names with markup in them."""
    folder = tmp_path_factory.mktemp("block")
    found = sts.simulate_iz(barrier_eV=4.0, height=(0.0, 6e-10, 400), sweeps=12,
                            bench=Bench(white_A=1e-13, gap_noise=0.003), seed=2)  # fmt: skip
    current = found.sweeps.current.copy()
    current[3, 150:] *= 2.5
    np.savez(folder / "z.npz", height_m=found.sweeps.axis, current_A=current)
    bias = np.linspace(-0.5, 0.5, 101)
    rows = np.outer(np.linspace(0.9, 1.1, 5), 1e-9 * bias * (1 + bias**2))
    np.savez(
        folder / "v.npz", bias_V=bias, current_A=rows, sweep=np.array([f"<script>{i}</script>&" for i in range(5)])
    )
    sts.import_files([folder / "z.npz", folder / "v.npz"], folder / "s.h5", values={"tip": "heron"})
    return sts.analyse(folder / "s.h5")


def entries(analysis, names=None):
    text = sweep_block(analysis, list(analysis.judged["sweep"]) if names is None else names)
    return text, json.loads(text)


def test_currents_and_fit_are_those_of_the_sweep_within_a_step(made):
    _, found = entries(made)
    fit = made.barrier.fits[0]
    for row in (0, 7):
        entry = next(e for e in found if e["n"] == fit.table["sweep"].iloc[row])
        chosen = np.linspace(0, 399, MOST_POINTS).round().astype(int)
        steps = [float(part) if part else np.nan for part in entry["y"].split(",")]
        with np.errstate(invalid="ignore"):
            expected = 100 * np.log10((fit.current[row] - fit.offset[row])[chosen] / 1e-15)
        seen = np.isfinite(expected)
        assert (seen == np.isfinite(steps)).all()
        assert np.abs(np.array(steps)[seen] - expected[seen]).max() <= 0.5
        first, above, last, below = entry["f"]
        slope = np.log(10) * (above - below) / 100 / (last - first)  # per nm
        assert slope == pytest.approx(fit.fits.decay[row] * 1e-9, rel=0.005)
        assert entry["p"] == 400


def test_bias_sweeps_are_linear_and_carry_their_unit(made):
    _, found = entries(made)
    part = next(part for part in made.sets if part.kind == "iv")
    entry = next(e for e in found if e["n"] == part.names[2])
    step, unit = entry["s"]
    assert unit == "A"
    assert np.abs(np.array(entry["y"].split(","), float) * step - part.current[2]).max() <= 0.51 * step
    assert entry["a"] == [-0.5, 0.5]


def test_a_jump_stands_where_it_was_put(made):
    _, found = entries(made)
    (place,) = [p for e in found for p in e.get("w", []) if p[0] == "jump"]
    assert place[1] == place[2] == pytest.approx(0.6 * 150 / 399, abs=0.003)


def test_nothing_in_the_block_can_end_it(made):
    text, found = entries(made)
    assert not set("<>&") & set(text)
    assert "<script>0</script>&" in {entry["n"] for entry in found}


def test_a_sweep_costs_little_and_only_those_asked_for_are_there(made):
    text, found = entries(made)
    assert len(text) / len(found) < 1500
    assert max(len(json.dumps(entry)) for entry in found) < 1500
    assert len(entries(made, ["z_01"])[1]) == 1


def test_steps_that_are_not_equal_are_kept(tmp_path):
    height = np.linspace(0, 1, 90) ** 2 * 5e-10
    current = 1e-9 * np.exp(-2e10 * height) * np.ones((3, 1))
    np.savez(tmp_path / "q.npz", height_m=height, current_A=current * (1 + 0.001 * np.arange(3)[:, None]))
    sts.import_files([tmp_path / "q.npz"], tmp_path / "q.h5", values={"tip": "heron"})
    (entry,) = entries(sts.analyse(tmp_path / "q.h5"), ["q_1"])[1]
    x = np.array(entry["a"]["x"].split(","), float) / 9999 * entry["a"]["e"][1]
    assert np.abs(x - height * 1e9).max() < 1e-3 * 0.5


# --- in a browser ------------------------------------------------------------------------------------------------------


def test_a_row_opens_to_a_picture_by_keyboard_and_closes_again(visit: Any) -> None:
    page = visit().page
    button = page.locator("button.look").first
    button.focus()
    page.keyboard.press("Enter")
    assert button.get_attribute("aria-expanded") == "true"
    picture = page.locator("tr.picture svg")
    assert picture.count() == 1
    assert len(picture.locator("path.dots").get_attribute("d")) > 100
    page.keyboard.press("Enter")
    assert page.locator("tr.picture").count() == 0


def test_ticked_rows_make_lines_that_any_shell_takes(visit: Any) -> None:
    page = visit().page
    assert page.locator("#sweep-decide").is_hidden()
    first, second = page.locator("input.tick").nth(0), page.locator("input.tick").nth(1)
    first.focus()
    page.keyboard.press("Space")
    second.check()
    assert page.locator("#decide-lines").input_value() == ""
    page.locator("#decide-why").fill('tip "touched" $HOME `x` 5 %')
    line = page.locator("#decide-lines").input_value()
    names = [page.locator("button.look").nth(i).inner_text() for i in (0, 1)]
    assert f'--omit "{names[0]}" "{names[1]}" --why "tip \'touched\'' in line
    assert not set("$`%\\!") & set(line)
    page.locator("#decide-none").click()
    assert page.locator("#sweep-decide").is_hidden()


def test_pictures_close_when_rows_move(visit: Any) -> None:
    page = visit().page
    page.locator("button.look").nth(2).click()
    page.locator("#sweep-find").fill("heron")
    assert page.locator("tr.picture").count() == 0
