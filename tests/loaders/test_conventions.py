"""Signs and directions: what turns the numbers of a file, said once, twice or not at all."""

from __future__ import annotations

import numpy as np
import pytest
from loaders.written import IZ, file, read
from numpy.testing import assert_allclose

from sts.loaders import UnreadableFile
from sts.loaders.reading import read_bytes


@pytest.mark.parametrize("names", ["V (tip) (mV);I (nA)", "tip bias (mV);I (nA)", "V tip (mV);I (nA)", "-V (mV);I (nA)",
                                   "-V (mV);-I (nA)", "Bias (tip) (mV);I (nA)"])  # fmt: skip
def test_a_bias_that_is_turned_is_said(names):
    loaded = read(file(names))
    (sweeps,) = loaded.sets
    at_plus = sweeps.current[0, -1] if sweeps.axis[-1] > 0 else sweeps.current[0, 0]
    assert abs(at_plus) == pytest.approx(1e-9)
    assert any(note.startswith("sign: ") for note in loaded.notes)


def test_a_negative_height_is_turned_and_said():
    loaded = read(file("-z (nm);I (nA)", rows=IZ))
    (sweeps,) = loaded.sets
    assert sweeps.axis[0] == pytest.approx(-2e-9)
    assert any("'-z (nm)' is the negative of the height" in note for note in loaded.notes)


# names of columns and a header entry about the same sign
BOTH: dict[tuple[str, str], tuple[int, int] | str] = {
    ("tip bias (mV);I (nA)", "Bias applied to: tip"): (-1, -1),
    ("V tip (mV);I (nA)", "Grounded: sample"): (-1, -1),
    ("V tip (mV);I (nA)", "Bias sign: tip"): (-1, -1),
    ("V tip (mV);I (nA)", "Bias (tip): 50 mV"): (-1, -1),
    ("V tip (mV);I (nA)", "V tip: 50 mV"): (-1, -1),
    ("V tip (mV);I (nA)", "Operator: me"): (-1, -1),
    ("V tip (mV);I (nA)", "Bias applied to: sample"): "is of the tip by its name",
    ("V tip (mV);I (nA)", "Grounded: tip"): "is of the tip by its name",
    ("V tip (mV);I (nA)", "Current inverted: yes"): (-1, -1),
    ("V (mV);I (inverted) (nA)", "Current inverted: yes"): "once or twice",
    ("V (mV);-I (nA)", "Current sign: -1"): "once or twice",
    ("V (mV);-I (nA)", "Current sign: 1"): (1, -1),
    ("-V (mV);I (nA)", "Bias inverted: yes"): "once or twice",
    ("V sample (mV);I (nA)", "Bias applied to: sample"): (1, 1),
}


@pytest.mark.parametrize(("names", "entry"), BOTH)
def test_a_sign_that_name_and_header_speak_of(names, entry):
    truth = BOTH[names, entry]
    text = file(names, f"# {entry}", rows=[(v, 2 + v / 100) for v in range(-100, 101, 10)])
    if isinstance(truth, str):
        with pytest.raises(UnreadableFile, match=truth):
            read(text)
        return
    loaded = read(text)
    bias, current = truth
    assert_allclose(loaded.sets[0].current[0, -1 if bias > 0 else 0], current * 3e-9, rtol=1e-12)
    assert any(note.startswith("sign: ") for note in loaded.notes) == (truth != (1, 1))


def test_a_height_that_is_turned_by_its_name_and_by_the_header_is_asked_about():
    with pytest.raises(UnreadableFile, match="once or twice"):
        read(file("-z (nm);I (nA)", "# z inverted: yes", rows=IZ))


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([(v, 500 + v) for v in range(-100, 101, 10)], False),  # an offset larger than all the rest
        ([(v, -500 + v) for v in range(-100, 101, 10)], False),
        ([(v, v - 300) for v in range(10, 211, 10)], False),  # negative at positive bias, and it rises
        ([(v, -v) for v in range(-100, 101, 10)], True),
        ([(v, 500 - v) for v in range(-100, 101, 10)], True),
        ([(v, 500 - v) for v in range(10, 211, 10)], True),  # one sign by its offset only: it is not small at zero bias
        ([(v, 800 * v if v > -13 else v) for v in range(-50, 1)], False),  # a cell that is reset: both have one sign
        ([(v, v * (210 - v)) for v in range(0, 201, 10)], False),  # a current that peaks and falls
    ],
)
def test_a_sign_is_doubted_only_where_the_current_falls(rows, said):
    notes = read(file("V (mV);I (pA)", rows=rows)).notes
    assert any("the current falls where the bias rises" in note for note in notes) == said


def ramps(*columns: tuple[str, bool]) -> str:
    """A table of columns, each rising or falling with the rows."""
    names = ";".join(name for name, _ in columns)
    body = [";".join(f"{k if rises else -k}" for _, rises in columns) for k in range(-20, 21)]
    return "\n".join([names, *body]) + "\n"


# columns, whether each rises in the file -> directions of the sweeps
WAYS = {
    (("V fwd (mV)", True), ("I fwd (pA)", True), ("V bwd (mV)", False), ("I bwd (pA)", False)): ["up", "down"],
    (("V fwd (mV)", False), ("I fwd (pA)", False), ("V bwd (mV)", True), ("I bwd (pA)", True)): ["down", "up"],
    (("V fwd (mV)", True), ("I fwd (pA)", True), ("V bwd (mV)", True), ("I bwd (pA)", True)): ["up", "down"],
    (("V (mV)", True), ("I fwd (pA)", True), ("I bwd (pA)", True)): ["up", "down"],
    (("V (mV)", False), ("I fwd (pA)", False), ("I bwd (pA)", False)): ["down", "up"],
    (("V (mV)", False), ("I retrace (pA)", False)): ["down"],
    (("V (mV)", True), ("I retrace (pA)", True)): ["down"],
    (("V (mV)", False), ("I trace (pA)", False)): ["down"],
    (("V down (mV)", False), ("I (pA)", False)): ["down"],
    (("V down (mV)", True), ("I (pA)", True)): ["down"],
    (("V up (mV)", True), ("I up (pA)", True), ("V down (mV)", False), ("I down (pA)", False)): ["up", "down"],
}


@pytest.mark.parametrize("columns", WAYS)
def test_which_way_a_sweep_ran(columns):
    loaded = read(ramps(*columns))
    assert [d for part in loaded.sets for d in part.table["direction"]] == WAYS[columns]
    for part in loaded.sets:
        assert (np.diff(part.current, axis=1) > 0).all()


@pytest.mark.parametrize("rises", [True, False])
def test_which_way_the_blocks_of_a_file_ran(rises):
    """The backward sweep in the order in which it was recorded, or over the axis of the forward one."""
    forward = ramps(("V (mV)", True), ("I (pA)", True))
    backward = ramps(("V (mV)", rises), ("I (pA)", rises))
    loaded = read(f"direction: forward\n{forward}\ndirection: backward\n{backward}")
    assert [d for part in loaded.sets for d in part.table["direction"]] == ["up", "down"]


def test_a_height_sweep_backward_with_heights_of_its_own_approaches():
    columns = (("z fwd (nm)", True), ("I fwd (pA)", False), ("z bwd (nm)", False), ("I bwd (pA)", True))
    loaded = read(ramps(*columns))
    assert [d for part in loaded.sets for d in part.table["direction"]] == ["retract", "approach"]


def test_a_falling_axis_that_is_called_up_is_said():
    loaded = read("direction: up\n" + ramps(("V (mV)", False), ("I (pA)", False)))
    assert list(loaded.sets[0].table["direction"]) == ["up"]
    assert any("the bias falls in the file, which says up" in note for note in loaded.notes)


def table(header: str, *, iz: bool = False):
    columns = "z (nm),I (nA)\n0,3\n1,2\n2,1\n" if iz else "V (mV),I (nA)\n-1,-1\n0,0\n1,1\n"
    (sweeps,) = read_bytes(f"{header}\n{columns}".encode(), "a.csv").sets
    return sweeps


@pytest.mark.parametrize(
    ("direction", "kind", "word"),
    [
        ("up", "iv", "up"),
        ("down", "iv", "down"),
        ("forward", "iv", "up"),
        ("backward", "iv", "down"),
        ("retract", "iz", "retract"),
        ("approach", "iz", "approach"),
        ("trace", "iz", "retract"),
        ("down", "iz", "approach"),
    ],
)
def test_direction_in_the_header(direction, kind, word):
    assert list(table(f"# direction: {direction}", iz=kind == "iz").table["direction"]) == [word]
