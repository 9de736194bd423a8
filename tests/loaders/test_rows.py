"""Values in rows: what they are proposed to be, and which of the names given on import fit them."""

from __future__ import annotations

import numpy as np
import pytest

from sts.loaders.bare import named_columns
from sts.loaders.loaded import UnreadableFile
from sts.loaders.rows import misfit, names_that_fit, proposed_names, rows_key, values_in_rows

Z = np.linspace(74.2e-9, 75.2e-9, 64)
DECAY = np.exp((Z - Z[-1]) * 1e10)
BIAS = np.linspace(-0.5, 0.5, 64)
IZ, IV = named_columns("z (m), I (A)"), named_columns("V (V), I (A)")


@pytest.mark.parametrize(
    ("values", "names"),
    [
        ([Z, 1e-9 * DECAY], ["z (m)", "I (A)"]),
        ([Z * 1e9, DECAY], ["z (nm)", "I (nA)"]),  # not SI: by the decay
        ([BIAS, 1e-9 * BIAS], ["V (V)", "I (A)"]),
        ([np.linspace(0.02, 1, 64), 1e-9 * DECAY], ["V (V)", "I (A)"]),  # grows like a decay, but is in amperes
        ([BIAS, 1e-9 * BIAS, 2e-9 * BIAS, 5 * BIAS], ["V (V)", "I (A)", "I (A)", "-"]),
    ],
)
def test_rows_are_proposed_by_their_size(values, names):
    assert proposed_names(values) == names
    error = values_in_rows(values, "line 1")
    assert f"--rows '{', '.join(names)}'" in str(error)
    assert rows_key(names) in str(error)
    assert error.values is values
    assert error.inside("a.csv").values is values


def test_names_fit_only_lines_of_their_number_and_size():
    assert misfit(IZ.names, [Z, 1e-9 * DECAY]) == ""
    assert misfit(IZ.names, [Z, DECAY, DECAY]) == "names 2 lines, and there are 3"
    assert "'z (m)' that spans 1 m" in misfit(IZ.names, [BIAS, 1e-9 * BIAS])
    assert misfit(IV.names, [Z, 1e-9 * DECAY]).startswith("calls a line 'V (V)' that ")
    assert "spans 1e-06 V only" in misfit(IV.names, [np.linspace(2e-6, 3e-6, 64), 1e-9 * DECAY])
    assert misfit(("ratio", ""), [BIAS, BIAS]) == ""  # of which no size is known


def test_each_file_takes_the_names_whose_quantities_fit():
    iz, iv = values_in_rows([Z, 1e-9 * DECAY]), values_in_rows([BIAS, 1e-9 * BIAS])
    for order in ([IZ, IV], [IV, IZ]):
        assert names_that_fit(order, iz, "") == ["z (m)", "I (A)"]
        assert names_that_fit(order, iv, "iz") == ["V (V)", "I (A)"]  # a folder's name does not stand above the numbers
    assert names_that_fit([], iv, "") == []
    with pytest.raises(
        UnreadableFile, match=r"Give --rows once more for such files; perhaps --rows 'V \(V\), I \(A\)'"
    ):
        names_that_fit([IZ], iv, "")


def test_where_sizes_fit_several_the_folder_says_which_and_else_it_is_asked():
    both = [named_columns("z (nm), I (nA)"), named_columns("V (V), I (nA)")]
    rows = values_in_rows([np.linspace(0, 1, 64), DECAY])
    assert names_that_fit(both, rows, "iz") == ["z (nm)", "I (nA)"]
    assert names_that_fit(both, rows, "iv") == ["V (V)", "I (nA)"]
    with pytest.raises(UnreadableFile, match=r"may be 'z \(nm\), I \(nA\)' or 'V \(V\), I \(nA\)'. Say which files"):
        names_that_fit(both, rows, "")
