"""Options that several commands share: gathered into one value, each still with its own help."""

from __future__ import annotations

from dataclasses import dataclass

import click
import pytest
from click.testing import CliRunner

from sts.cli.options import Labels, Which, as_one


@dataclass(frozen=True)
class Pair:
    left: str
    right: int


@click.command()
@as_one("pair", Pair, click.option("--left", help="The left one."), click.option("--right", type=int, default=3))
@click.option("--more")
def gathering(pair: Pair, more: str | None) -> int:
    """Show what came."""
    click.echo(f"{pair} {more}")
    return 0


def test_options_come_as_one_value_beside_the_others():
    runner = CliRunner()
    assert runner.invoke(gathering, ["--more", "x", "--left", "a"]).output == "Pair(left='a', right=3) x\n"
    shown = runner.invoke(gathering, ["--help"]).output
    assert shown.index("The left one.") < shown.index("--right") < shown.index("--more")
    assert "Show what came." in shown


def test_labels_that_were_not_given_do_not_pick():
    assert Which(None, "heron", None, "iz").said == {"tip": "heron", "kind": "iz"}
    assert Which(None, None, None, None).said == {}


def test_stated_values_are_read_and_others_refused():
    labels = Labels(None, (), ("tip= heron", "temperature=77 K"), prefer_logbook=False)
    assert labels.values == {"tip": "heron", "temperature": "77 K"}
    assert Labels(None, (), (), prefer_logbook=False).values is None
    with pytest.raises(click.UsageError, match="--set tip= is no COLUMN=VALUE"):
        _ = Labels(None, (), ("tip=",), prefer_logbook=False).values
