"""Which way heights grow: currents of all sweeps decide together, noise and dead channels do not, and a word stands above."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sts.importing import import_files
from sts.importing.heights import growth
from sts.session import Session

ROWS = ["z (m), I (A)"]
OUT = np.linspace(0, 1e-9, 128)  # away from the surface


def decay(rng: np.random.Generator, *, slope: float = 8e9, offset: float = 3e-12, noise: float = 4e-12) -> np.ndarray:
    return 1e-9 * np.exp(-slope * OUT) + offset + rng.normal(0, noise, OUT.size)


def write(folder: Path, name: str, current: np.ndarray, *, towards: bool, header: str = "") -> None:
    folder.mkdir(exist_ok=True)
    z = 75e-9 + (OUT[::-1] if towards else OUT)  # the current is that on the way out
    (folder / name).write_text(header + "\n".join(";".join(f"{v:.8E}" for v in row) for row in (z, current)) + "\n")


def pink(rng: np.random.Generator) -> np.ndarray:
    """Noise of density 1/f."""
    frequency = np.maximum(np.fft.rfftfreq(OUT.size), 1 / OUT.size)
    parts = rng.normal(size=(2, frequency.size)) / np.sqrt(frequency)
    return np.fft.irfft(parts[0] + 1j * parts[1], OUT.size)


@pytest.mark.parametrize("offset", [0, 20e-12, -20e-12, 400e-12])
@pytest.mark.parametrize("slope", [1.5e9, 8e9, 25e9])
def test_decays_tell_whatever_offset_and_sign_the_current_has(slope, offset):
    rng = np.random.default_rng(3)
    for _ in range(50):
        current = decay(rng, slope=slope, offset=offset)
        assert growth(OUT, current)[0] == growth(OUT, -current)[0] == -1
        assert growth(OUT, current[::-1])[0] == 1
        assert growth(OUT, np.minimum(5 * current, 1e-9 + offset))[0] in (-1, 0)  # saturated: right or silent


def test_noise_drifts_and_humps_do_not_tell():
    rng = np.random.default_rng(4)
    white = [growth(OUT, rng.normal(0, 4e-12, OUT.size))[0] for _ in range(1000)]
    drift = [
        growth(OUT, np.linspace(0, k * 1e-11, OUT.size) + rng.normal(0, 1e-12, OUT.size))[0] for k in range(-50, 50)
    ]
    steps = [
        growth(OUT, 9e-12 * np.round(np.linspace(0, 1.2, OUT.size) + rng.normal(0, 0.1, OUT.size)))[0]
        for _ in range(200)
    ]
    slow = [growth(OUT, pink(rng))[0] for _ in range(500)]
    walk = [growth(OUT, np.cumsum(rng.normal(0, 1e-12, OUT.size)))[0] for _ in range(500)]
    hump = [growth(OUT, np.exp(-((OUT - c) ** 2) / 1e-20))[0] for c in np.linspace(4e-10, 6e-10, 20)]
    assert not any(white)
    assert not any(drift)
    assert not any(steps)
    assert np.count_nonzero(slow) <= 15  # expected 6
    assert np.count_nonzero(walk) <= 165  # expected 125; told in the docstring
    assert not any(hump)
    assert growth(OUT[:20], decay(rng)[:20]) == (0, 0.0)
    assert growth(OUT, np.zeros(OUT.size)) == (0, 0.0)


def test_where_all_currents_grow_the_heights_are_turned_with_a_note(tmp_path):
    rng = np.random.default_rng(5)
    for i in range(1, 9):
        write(tmp_path / "bench", f"spec{i}.csv", decay(rng), towards=True)
    for i in range(10, 14):  # dead channels: noise, and a drift far below the others
        write(tmp_path / "bench", f"spec{i}.csv", rng.normal(0, 1e-12, OUT.size), towards=True)
        write(tmp_path / "bench", f"spec{i + 10}.csv", 1e-3 * decay(rng, noise=1e-11)[::-1], towards=True)
    path = tmp_path / "s.h5"
    result = import_files([tmp_path / "bench"], path, rows=ROWS)
    assert result.sweeps == 16
    (told,) = [note for note in result.notes if note.startswith("the current of all")]
    assert "(8) grows with the height" in told
    assert "--height-grows away" in told
    session = Session.open(path)
    (sweeps,) = session.sets("iz")
    assert sweeps.axis[0] == pytest.approx(-76e-9)
    assert sweeps.current[0, 0] > sweeps.current[0, -1]
    (kept,) = set(session.sources()["notes"])
    assert kept.startswith(
        "sign: height turned: the current of all 8 I(z) sweeps of the import that tell, and no file, says"
    )
    assert sweeps.notes == (kept,)
    assert all("height_sign = -1" in recipe for recipe in session.sources()["recipe"])
    again = import_files([tmp_path / "bench"], path, rows=ROWS)
    assert (again.sweeps, len(again.repeated)) == (0, 16)
    left = import_files([tmp_path / "bench"], tmp_path / "left.h5", rows=ROWS, height_grows="away")
    assert not any("grows with the height" in note for note in left.notes)
    assert Session.open(tmp_path / "left.h5").sets("iz")[0].axis[0] == pytest.approx(75e-9)


@pytest.mark.parametrize("falling_first", [True, False])
def test_where_sweeps_contradict_each_other_nothing_is_turned_and_the_option_is_named(tmp_path, falling_first):
    rng = np.random.default_rng(6)
    for i in range(1, 11):
        towards = (i <= 5) != falling_first
        write(tmp_path / "bench", f"spec{i}.csv", decay(rng), towards=towards)
    result = import_files([tmp_path / "bench"], tmp_path / "s.h5", rows=ROWS)
    (told,) = [note for note in result.notes if "no height was turned" in note]
    assert told.startswith("the current grows with the height in ")
    assert "--height-grows towards" in told
    session = Session.open(tmp_path / "s.h5")
    assert all(part.axis[0] > 0 for part in session.sets("iz"))
    assert session.sources()["name"].tolist() == [f"spec{i}.csv" for i in range(1, 11)]


def test_what_a_file_says_stands_above_its_current(tmp_path):
    rng = np.random.default_rng(7)
    for i in range(1, 5):
        write(tmp_path / "bench", f"spec{i}.csv", decay(rng), towards=True, header="# height sign: normal\n")
    import_files([tmp_path / "bench"], tmp_path / "s.h5", rows=ROWS)
    assert Session.open(tmp_path / "s.h5").sets("iz")[0].axis[0] > 0
    import_files([tmp_path / "bench"], tmp_path / "t.h5", rows=["separation (m), I (A)"])
    assert Session.open(tmp_path / "t.h5").sets("iz")[0].axis[0] > 0
    for i in range(1, 5):
        write(tmp_path / "bench", f"spec{i}.csv", decay(rng), towards=False)
    import_files([tmp_path / "bench"], tmp_path / "u.h5", rows=ROWS, height_grows="towards")
    assert Session.open(tmp_path / "u.h5").sets("iz")[0].axis[0] < 0
    with pytest.raises(ValueError, match="use away or towards"):
        import_files([tmp_path / "bench"], tmp_path / "v.h5", height_grows="up")
