"""The command show: pictures of single sweeps."""

from __future__ import annotations

from pathlib import Path

import click

from sts.cli.options import PATH, PLAN, SESSION, plan_from
from sts.cli.terminal import say


@click.command("show")
@SESSION
@click.argument("sweeps", nargs=-1, required=True, metavar="SWEEP…")
@click.option(
    "--out", type=PATH, default=Path("show.png"), show_default=True,
    help="File to write, replaced if it is there: .png, .svg, or .pdf with a page for each sweep.",
)  # fmt: skip
@PLAN
def show_command(session: Path, sweeps: tuple[str, ...], out: Path, plan_file: Path | None) -> int:
    """Draw sweeps with their fit, their site behind them, and their flags where they sit.

    \b
    SWEEP is a name or a pattern with * and ?:
      sts show session.h5 heron_s1_r2_retract
      sts show session.h5 "heron_s1_*" --out heron.pdf
    """
    from sts.report.show import show_sweeps

    names = show_sweeps(session, sweeps, out, plan_from(plan_file))
    more = f" and {len(names) - 1} more" if len(names) > 1 else ""
    say(f"{names[0]}{more} drawn in {out}.")
    return 0
