"""The command that serves the review page."""

from __future__ import annotations

from pathlib import Path

import click

from sts.cli.options import BY, PLAN, SESSION, plan_from
from sts.cli.terminal import say


@click.command("review")
@SESSION
@click.option("--port", type=click.IntRange(0, 65535), default=5100, show_default=True,
              help="Where to listen; the next free port if it is taken.")  # fmt: skip
@click.option("--no-browser", is_flag=True, help="Only print the address, open no browser.")
@BY
@PLAN
def review_command(session: Path, port: int, by: str | None, plan_file: Path | None, *, no_browser: bool) -> int:
    """Look at the sweeps of SESSION one by one in the browser, decide, and see what it does to the answer.

    The page is served on this machine only, to whoever has the printed address with its token. Ctrl-C ends it.
    Needs the extra 'review'.
    """
    from sts.review.start import review_session

    review_session(session, plan_from(plan_file), port=port, browser=not no_browser, say=say, by=by)
    return 0
