"""Tables of measured steps: units, names of columns, and what is refused with its place."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sts.loaders import UnreadableFile
from sts.loaders.step_table import COLUMNS, read_steps


def written(folder: Path, text: str) -> Path:
    path = folder / "steps.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_columns_in_any_order_with_units_in_head_or_cell(tmp_path: Path) -> None:
    text = (
        "Date;Site;measured (pm);direction;known;piezo temperature (°C);remark\n"
        "2026-11-02;A;242;up;au111;22;good\n"
        "2026-11-03;B;0,3140 nm;Down;0,3136 nm;;\n"
        ";;240;;;295 K;\n"
    )
    text = text.replace("measured (pm)", "measured").replace("242", "242 pm").replace("240", "2,40 Å")
    text = text.replace("piezo temperature (°C)", "piezo temperature").replace(";22;", ";22 °C;")
    found = read_steps(written(tmp_path, text))
    assert list(found) == list(COLUMNS)
    assert found["measured_nm"].tolist() == pytest.approx([0.242, 0.314, 0.240])
    assert found["known"].tolist() == ["au111", "", ""]
    assert found["known_nm"].tolist() == pytest.approx([np.nan, 0.3136, np.nan], nan_ok=True)
    assert found["direction"].tolist() == ["up", "down", ""]
    assert found["temperature_K"].tolist() == pytest.approx([295.15, np.nan, 295], nan_ok=True)
    assert found["day"].tolist() == ["2026-11-02", "2026-11-03", ""]
    assert found["place"].tolist() == ["A", "B", ""]


def test_a_workbook_says_the_same(tmp_path: Path) -> None:
    pytest.importorskip("python_calamine")
    pd.DataFrame({"place": ["A", "B"], "measured (nm)": [0.242, 0.239]}).to_excel(tmp_path / "steps.xlsx", index=False)
    assert read_steps(tmp_path / "steps.xlsx")["measured_nm"].tolist() == [0.242, 0.239]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("place,day\nA,1\n", r"steps\.csv, line 1: no column 'measured' among 'place', 'day'"),
        ("measured\n0.24\n", r"line 2, column 'measured': the height '0\.24' has no unit; expected nm, pm or Å"),
        ("measured (A)\n2.4\n", "has the unit 'A'; expected nm, pm or Å"),
        ("measured (nA)\n2.4\n", "has the unit 'nA'"),
        ("measured (nm)\nhigh\n", "'high' is not a number"),
        ("measured (nm),direction\n0.24,left\n", "'left' is no direction; expected up or down"),
        ("measured (nm),temperature (K)\n0.24,-5\n", "column 'temperature'"),
        ("measured (nm),height (nm)\n0.24,0.2\n", "two columns hold 'measured'"),
        ("measured (nm)\n", "holds no steps"),
    ],
)
def test_what_cannot_be_used_is_refused_with_its_place(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(UnreadableFile, match=said):
        read_steps(written(tmp_path, text))
