"""A review page driven from Python: the document of a window, without a server and without a browser."""

from __future__ import annotations

from pathlib import Path

from bokeh.document import Document

from sts.review import Desk
from sts.review.page import Page, Review


def page_of(session: Path | Desk, **kwargs: object) -> Page:
    """The only window of a review of a session."""
    desk = session if isinstance(session, Desk) else Desk(session, **kwargs)  # type: ignore[arg-type]
    review = Review(desk)
    review.build(Document())
    return review.pages[0]


def press(page: Page, key: str) -> None:
    """What the page's script does when a key is pressed."""
    page.pressed.value = f"{key} {page.pressed.value.count(' ')} {id(object())} {len(page.pressed.value)}"


def first(page: Page, kind: str) -> str:
    """The first sweep of a kind in the list."""
    rows = page.desk.worklist
    return str(rows.loc[rows["kind"] == kind, "sweep"].iloc[0])
