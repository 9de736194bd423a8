"""From blocks to sets: which axis was swept, and what a recipe gives for all sweeps."""

from __future__ import annotations

import pytest
from numpy.testing import assert_allclose

from sts.loaders import Recipe, UnreadableFile
from sts.loaders.reading import read_bytes

IV = [(v, v / 100) for v in range(-100, 101, 10)]


def file(names: str, header: str = "", *, rows: list[tuple[float, ...]] = IV, delimiter: str = ";") -> str:
    count = len(names.split(delimiter))
    body = [delimiter.join(f"{v:.9g}" for v in (row[0], *[row[1]] * (count - 1))) for row in rows]
    return "\n".join([*([header] if header else []), names, *body]) + "\n"


@pytest.mark.parametrize("key", ["bias sign", "current inverted", "bias applied to", "kind"])
def test_a_recipe_gives_no_sign_as_a_value(key):
    with pytest.raises(UnreadableFile, match=r"turns a sign|uses itself"):
        read_bytes(file("V (mV);I (nA)").encode(), "a.txt", recipe=Recipe(values={key: "inverted"}))


def test_constant_bias_beside_a_moving_height_is_a_height_sweep():
    (s,) = read_bytes(b"V (mV),z (nm),I (nA)\n50,0,8\n50,1,4\n50,2,2\n", "a.csv").sets
    assert s.kind == "iz"
    assert_allclose(s.table["bias_V"], [0.05])
