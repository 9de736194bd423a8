"""A review from the command line: the desk laid, the page served until it is closed."""

from __future__ import annotations

from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from sts.plan import Plan
from sts.review.apart import Apart, beside
from sts.session import Session

if TYPE_CHECKING:
    from sts.review.desk import Desk

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
    by: str | None = None,
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
    by : str, optional
        Who decides; that of the plan if not given, else the account's name; "": not recorded.

    Raises
    ------
    ValueError
        If Bokeh is not installed, no port is free, or the session cannot be measured.
    """
    if find_spec("bokeh") is None:
        raise ValueError(MISSING)
    Session.open(session)  # what is no session is said before anything is served
    apart = Apart(session, plan or Plan())
    laid = beside(lambda: _laid(session, plan, apart, by))  # Bokeh is imported and the browser opened meanwhile
    from sts.review.page import Review
    from sts.review.server import serve

    reviews: list[Review] = []

    def ready() -> tuple[str, ...]:
        reviews.append(Review(laid.result()))
        return reviews[0].notes

    try:
        serve(
            lambda doc: reviews[0].build(doc), report=lambda: reviews[0].report_page() if reviews else None, port=port,
            browser=browser, say=say, first=laid, ready=ready,
        )  # fmt: skip
    finally:
        apart.end()
        for review in reviews:
            review.close()


def _laid(session: str | Path, plan: Plan | None, apart: Apart, by: str | None) -> Desk:
    from sts.review.desk import Desk

    return Desk(session, plan, standing=apart.standing, by=by)
