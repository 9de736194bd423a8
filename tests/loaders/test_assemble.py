"""From blocks to sets: which axis was swept, and what a recipe gives for all sweeps."""

from __future__ import annotations

import pytest
from loaders.written import file
from numpy.testing import assert_allclose

from sts.loaders import Recipe, UnreadableFile
from sts.loaders.reading import read_bytes


@pytest.mark.parametrize("key", ["bias sign", "current inverted", "bias applied to", "kind"])
def test_a_recipe_gives_no_sign_as_a_value(key):
    with pytest.raises(UnreadableFile, match=r"turns a sign|uses itself"):
        read_bytes(file("V (mV);I (nA)").encode(), "a.txt", recipe=Recipe(values={key: "inverted"}))


def test_constant_bias_beside_a_moving_height_is_a_height_sweep():
    (s,) = read_bytes(b"V (mV),z (nm),I (nA)\n50,0,8\n50,1,4\n50,2,2\n", "a.csv").sets
    assert s.kind == "iz"
    assert_allclose(s.table["bias_V"], [0.05])
