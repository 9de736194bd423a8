"""Several columns of one file: repeats where they agree within their noise, a copy where one is filtered, else apart."""

from __future__ import annotations

import numpy as np
import pytest

from sts.loaders.reading import read_bytes

V = np.linspace(-0.5, 0.5, 201)


def written(names: list[str], *curves: np.ndarray, header: str = "") -> bytes:
    rows = "\n".join(",".join(f"{x:.8g}" for x in row) for row in zip(V, *curves, strict=True))
    return (header + ",".join(names) + "\n" + rows + "\n").encode()


def curve(seed: int, *, noise: float = 0.01, gain: float = 1.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return gain * (V + 4 * V**3) + noise * rng.normal(size=V.size)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("noise", [0.001, 0.05, 0.4])
def test_repeats_that_agree_are_repeats(seed, noise):
    (s,) = read_bytes(written(["V (V)", "I_1 (nA)", "I_2 (nA)"], curve(seed, noise=noise),
                              curve(seed + 99, noise=noise, gain=1.1)), "a.csv").sets  # fmt: skip
    assert list(s.table["repeat"]) == [1, 2]
    assert "channel" not in s.table


def test_one_of_many_that_jumped_is_still_a_repeat():
    curves = [curve(k) for k in range(6)]
    curves[2][120:] *= 1.8
    names = ["V (V)", *(f"I_{k} (nA)" for k in range(1, 7))]
    (s,) = read_bytes(written(names, *curves), "a.csv").sets
    assert list(s.table["repeat"]) == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize("seed", range(20))
def test_columns_that_differ_are_kept_apart_with_a_note(seed):
    other = 1e-3 * np.exp(4 * V) + 0.01 * np.random.default_rng(seed).normal(size=V.size)
    loaded = read_bytes(written(["V (V)", "dI/dV_1", "dI/dV_2"], 1 + curve(seed) ** 2, 5 + other + V), "a.csv")
    (s,) = loaded.sets
    assert list(s.table["channel"]) == ["dI/dV_1", "dI/dV_2"]
    assert s.table["repeat"].isna().all()
    assert any("not taken for repeats but kept apart" in note for note in loaded.notes)


def test_what_the_file_calls_repeats_are_repeats():
    names = ["V (V)", "I sweep 1 (nA)", "I sweep 2 (nA)"]
    (s,) = read_bytes(written(names, curve(1), 3 * np.cosh(5 * V)), "a.csv").sets
    assert list(s.table["repeat"]) == [1, 2]


@pytest.mark.parametrize("width", [5, 9, 15])
@pytest.mark.parametrize("seed", range(10))
def test_a_filtered_copy_is_a_copy(width, seed):
    raw = curve(seed, noise=0.05)
    padded = np.pad(raw, width // 2, mode="edge")
    low = np.convolve(padded, np.ones(width) / width, mode="valid")
    loaded = read_bytes(written(["V (V)", "I_1 (nA)", "I_2 (nA)"], raw, low), "a.csv")
    (s,) = loaded.sets
    assert len(s) == 1
    assert any("'I_2 (nA)' is a filtered copy of 'I_1 (nA)'" in note for note in loaded.notes)


def test_a_quieter_repeat_is_no_copy():
    for seed in range(200):
        pair = curve(seed, noise=0.05), curve(seed + 1000, noise=0.01)
        (s,) = read_bytes(written(["V (V)", "I_1 (nA)", "I_2 (nA)"], *pair), "a.csv").sets
        assert len(s) == 2


def test_a_third_column_of_a_bare_table_is_no_repeat():
    text = "V (V),I (nA),\n" + "".join(f"{v},{v},{v * v + 3}\n" for v in V)
    (s,) = read_bytes(text.encode(), "a.csv").sets
    assert len(s) == 1


@pytest.mark.parametrize(
    ("header", "names", "expected"),
    [
        ("# sweep: dawn\n", ["V (V)", "I (nA) forward", "I (nA) backward"], ["dawn_up", "dawn_down"]),
        ("# sweep: T1/s1/1\n", ["V (V)", "I (nA)"], ["T1/s1/1"]),
        ("# sweep: 12\n", ["V (V)", "I (nA) forward", "I (nA) backward"], ["a_12_up", "a_12_down"]),
        ("", ["V (V)", "I (nA) forward", "I (nA) backward"], ["a_up", "a_down"]),
        ("", ["V (V)", "I (nA)"], ["a"]),
    ],
)
def test_a_sweep_that_its_file_names_keeps_that_name(header, names, expected):
    curves = [curve(k) for k in range(len(names) - 1)]
    (s,) = read_bytes(written(names, *curves, header=header), "a.csv").sets
    assert s.names == expected


def test_sweeps_of_a_long_table_keep_their_names_and_directions_get_one_each():
    rows = "".join(f"{n},{d},{z},{10 - z}\n" for n in ("T1-s1-1", "T1-s2-1") for d in ("retract", "approach")
                   for z in range(4))  # fmt: skip
    (s,) = read_bytes(f"sweep,direction,z (nm),I (nA)\n{rows}".encode(), "tip.csv").sets
    assert s.names == ["T1-s1-1_retract", "T1-s1-1_approach", "T1-s2-1_retract", "T1-s2-1_approach"]


def channels(*curves: np.ndarray, names: tuple[str, ...] = ("I_1 (nA)", "I_2 (nA)")) -> list[str] | None:
    """The columns kept apart; None where all were taken for repeats."""
    sets = read_bytes(written(["V (V)", *names], *curves), "a.csv").sets
    table = sets[0].table
    assert sum(len(part) for part in sets) == len(curves)
    return list(table["channel"]) if "channel" in table else None


@pytest.mark.parametrize("gain", [-1.0, 1000.0, 10.0, 0.05, -0.2])
@pytest.mark.parametrize("noise", [0.001, 0.05])
@pytest.mark.parametrize("own", [True, False])
def test_another_gain_or_sign_makes_another_channel(gain, noise, own):
    first = curve(3, noise=noise)
    second = gain * (curve(4, noise=noise) if own else first)
    assert channels(first, second) == ["I_1 (nA)", "I_2 (nA)"]


@pytest.mark.parametrize("seed", range(20))
def test_noise_alone_is_no_repeat_of_a_curve(seed):
    rng = np.random.default_rng(seed)
    assert channels(curve(seed), 0.01 * rng.normal(size=V.size)) == ["I_1 (nA)", "I_2 (nA)"]
    assert channels(*(0.01 * rng.normal(size=(2, V.size)))) is None  # two of noise are alike


@pytest.mark.parametrize("seed", range(20))
def test_repeats_of_a_weak_curve_are_repeats(seed):
    assert channels(curve(seed, noise=1.5), curve(seed + 50, noise=1.5)) is None


def test_columns_of_one_name_are_compared_as_well():
    names = ("I (nA)", "I (nA)")
    assert channels(curve(1), curve(2), names=names) is None
    assert channels(curve(1), 3 * np.cosh(5 * V), names=names) == list(names)


@pytest.mark.parametrize("numbers", [(77, 300), (100, 200, 400)])
def test_numbers_that_count_nothing_are_not_those_of_repeats(numbers):
    names = tuple(f"I_{n} (nA)" for n in numbers)
    assert channels(*(curve(n) for n in numbers), names=names) == list(names)
