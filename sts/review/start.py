"""A review from the command line: the desk laid, the page served until it is closed."""

from __future__ import annotations

from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

from sts.plan import Plan

MISSING = (
    "The review page needs Bokeh, which is not installed here. Install it beside sts: "
    'python -m pip install "bokeh>=3.6" (in a copy of the sources: pip install ".[review]").'
)


def review_session(
    session: str | Path,
    plan: Plan | None = None,
    *,
    port: int = 5100,
    browser: bool = True,
    say: Callable[[str], None] = print,
) -> None:
    """Serve the review page of a session until Ctrl-C, or until the page has been closed for a while.

    Parameters
    ----------
    session : path
    plan : Plan, optional
        Settings to start from; the defaults if not given.
    port : int
        Where to listen on the loopback address; the next free one where it is taken.
    browser : bool
        Whether the page is opened in the browser.
    say : callable(str), optional
        Takes each line that is told: first the address with its token.

    Raises
    ------
    ValueError
        If Bokeh is not installed, no port is free, or the session cannot be measured.
    """
    if find_spec("bokeh") is None:
        raise ValueError(MISSING)
    from sts.review.desk import Desk
    from sts.review.page import Review
    from sts.review.server import serve

    review = Review(Desk(session, plan))
    try:
        serve(review.build, report=review.report_page, port=port, browser=browser, say=say, notes=review.notes)
    finally:
        review.close()
