"""Ready benches and plans: files that the tool reads again, with their truth."""

from __future__ import annotations

import json

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts import read_file
from sts.simulate import PRESETS, read_simulate_plan, simulate, simulate_plan


@pytest.mark.parametrize("name", PRESETS)
def test_every_ready_bench_writes_sweeps_that_read_back_under_the_names_of_the_truth(name, tmp_path):
    written = simulate_plan(name, tmp_path / name)
    truth = json.loads(written[0].read_text(encoding="utf-8"))
    assert "not measured" in truth["note"]
    made = simulate(read_simulate_plan(name))  # again: the seed makes the same sweeps
    assert len(written) == 1 + len(made) * truth["plan"]["sweeps"]
    read = read_file(written[1]).sets[0]
    first = made[0].sweeps.select([made[0].sweeps.names.index(sweep) for sweep in read.names])
    assert_allclose(read.current, first.current, atol=1e-15, rtol=1e-8)
    assert_allclose(read.axis, first.axis, rtol=1e-8, atol=1e-18)
    if first.lockin is not None:
        assert_allclose(read.lockin, first.lockin, rtol=1e-8)
    for column in ("tip", "sample", "site", "direction"):
        assert list(read.table[column]) == list(first.table[column])
    for column in (
        "repeat",
        "duration_s",
        "bias_V",
        "setpoint_current_A",
        "temperature_K",
        "full_scale_A",
        "modulation_V",
    ):
        assert_allclose(read.table[column], first.table[column], rtol=1e-9)


def test_a_folder_that_holds_a_simulation_is_left_alone(tmp_path):
    simulate_plan("short", tmp_path)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    with pytest.raises(ValueError, match="--force"):
        simulate_plan("drift", tmp_path)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before
    simulate_plan("short", tmp_path, force=True)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before  # the seed makes the same again


def test_a_plan_of_ones_own_sets_sites_and_setpoints(tmp_path):
    plan = tmp_path / "bench.toml"
    plan.write_text('kind = "iz"\nsweeps = 6\nsites = 3\nsite_scatter = 0.1\n', encoding="utf-8", newline="\n")
    (made,) = simulate(read_simulate_plan(plan))
    barriers = np.asarray(made.truth["barrier_eV"])
    assert len(set(barriers)) == 3
    assert (barriers[::2] == barriers[1::2]).all()
    assert list(made.sweeps.table["site"]) == ["1"] * 4 + ["2"] * 4 + ["3"] * 4
    plan.write_text('kind = "iv"\ncurrent_A = 1e-10\nfurther_setpoints_A = [2e-10]\n', encoding="utf-8", newline="\n")
    assert [m.sweeps.table["setpoint_current_A"].iloc[0] for m in simulate(read_simulate_plan(plan))] == [1e-10, 2e-10]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('kind = "iz"\n[bench]\nwhite = 1e-12\n', "Known faults: white_A"),
        ('kind = "iz"\nsweep = 3\n', r"plan\.toml, line 2: unknown key 'sweep'"),
        ('kind = "xy"\n', r"plan\.toml, line 1: kind is 'xy'"),
        ('kind = "iv"\ndensity = "round"\n', "no density of states called 'round'"),
        ('kind = "iz"\ndirections = ["up"]\n', "those of iz sweeps are"),
        ("kind = \n", "not valid TOML"),
    ],
)
def test_a_wrong_plan_names_what_is_wrong(tmp_path, text, words):
    plan = tmp_path / "plan.toml"
    plan.write_text(text, encoding="utf-8", newline="\n")
    with pytest.raises(ValueError, match=words):
        simulate_plan(plan, tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(("name", "barrier_eV"), [("air-graphite", 0.5), ("air-gold", 0.7)])
def test_benches_in_air_read_what_a_teaching_laboratory_did(name, barrier_eV):
    """0.5 and 0.7, each ± 0.1 eV (arXiv:2402.10241, arXiv:2209.04491; abstracts seen), over 0.7 to 2 decades."""
    (made,) = simulate(read_simulate_plan(name))
    assert_allclose(made.truth["barrier_eV"], barrier_eV, atol=0.1)
    decades = np.log10(made.clean[:, 0] / made.clean[:, -1])
    assert ((decades > 0.7) & (decades < 2)).all()
    assert made.truth["settling"]
    assert made.truth["humps"]
    assert len(set(made.truth["offsets_pA"])) == len(made.sweeps)


def test_the_truth_of_several_setpoints_tells_of_all_sweeps(tmp_path):
    plan = tmp_path / "bench.toml"
    text = 'kind = "iv"\nsweeps = 20\ncurrent_A = 1e-10\nfurther_setpoints_A = [2e-10]\n'
    text += "bench = { settling_samples = 3, hump_share = 0.5, offset_scatter_A = 1e-12 }\n"
    plan.write_text(text, encoding="utf-8", newline="\n")
    truth = json.loads(simulate_plan(plan, tmp_path / "out")[0].read_text(encoding="utf-8"))
    assert len(truth["offsets_pA"]) == 80
    for key in ("settling", "humps"):
        assert {name.split("_")[1] for name in truth[key]} == {"100pA", "200pA"}


def test_a_bench_that_is_not_there_lists_those_that_are():
    with pytest.raises(ValueError, match="clean-vacuum"):
        read_simulate_plan("nope")
