"""Long tables: summed up by tip and site, or whole where every row is asked for."""

from __future__ import annotations

import click
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from sts.cli import terminal
from sts.cli.summed import ALL, MOST_ROWS, summed, too_long
from sts.cli.terminal import Columns, number, print_frame, print_table, text, yes

COLUMNS: Columns = {
    "sweep": ("sweep", text), "tip": ("tip", text), "site": ("site", text), "points": ("points", number(0)),
    "used": ("used", yes), "flags": ("flags", text),
}  # fmt: skip


def sweeps(tips: int, sites: int, repeats: int) -> pd.DataFrame:
    place = np.arange(tips * sites * repeats)
    return pd.DataFrame({
        "sweep": [f"r{i}" for i in place], "tip": [f"tip{i // (sites * repeats)}" for i in place],
        "site": [f"s{i // repeats % sites}" for i in place], "points": 100 + place % 2, "used": place % 10 > 0,
        "flags": np.where(place % 10 > 0, "", "jump"),
    })  # fmt: skip


def printed(frame: pd.DataFrame, *arguments: str) -> list[str]:
    @click.command()
    @ALL
    def show() -> None:
        print_frame("", frame, COLUMNS)

    lines = CliRunner().invoke(show, list(arguments)).stdout.splitlines()
    return [line.strip() for line in lines if line.strip() and "─" not in line]


def test_many_sweeps_are_a_line_for_each_tip_and_site_with_their_sum():
    head, *lines, words = printed(sweeps(3, 5, 20))
    assert head.split() == ["rows", "tip", "site", "points", "used", "flags"]
    assert len(lines) == 15
    assert lines[7].split("  ")[0] == "20"
    assert [cell.strip() for cell in lines[7].split("  ") if cell.strip()] == [
        "20", "tip1", "s2", "100 to 101", "yes (18), no (2)", "- (18), jump (2)"
    ]  # fmt: skip
    assert words == "300 rows, summed up by tip and site; --all prints each."


def test_sites_share_a_line_where_they_are_too_many():
    _head, *lines, words = printed(sweeps(4, 60, 2))
    assert len(lines) == 4
    assert "60 different" in lines[0]
    assert words == "480 rows, summed up by tip; --all prints each."


def test_every_row_is_printed_where_it_is_asked_for_or_few():
    assert len(printed(sweeps(3, 5, 20), "--all")) == 1 + 300
    assert len(printed(sweeps(1, 1, MOST_ROWS))) == 1 + MOST_ROWS
    assert not too_long(10**6)  # by whom there is no command that could be asked for all


def test_what_has_neither_tip_nor_site_shows_its_ends():
    names = pd.DataFrame({"name": [f"file{i}" for i in range(1000)]})
    columns, lines, words = summed(names, ["name"], [text])
    assert columns == ["name"]
    assert [line[0] for line in lines] == [*names["name"][:100], "...", *names["name"][-100:]]
    assert words == "1000 rows, of which the first and last 100 are shown; --all prints each."


@pytest.mark.parametrize("name", ["r1", "金 κ µ", "[red]"])
def test_a_long_table_is_written_as_a_short_one_is(capsys, monkeypatch, name):
    """The same bytes by the fast way as by the library that draws tables."""
    rows = [[f"{name}_{i}", str(i), "" if i % 3 else "why, at length"] for i in range(30)]
    print_table("A title", ["sweep", "points", "why"], rows, right=[1])
    short = capsys.readouterr().out
    monkeypatch.setattr(terminal, "MOST_ROWS", 10)
    print_table("A title", ["sweep", "points", "why"], rows, right=[1])
    fast = capsys.readouterr().out
    assert [line.rstrip() for line in fast.splitlines()] == [line.rstrip() for line in short.splitlines()]
