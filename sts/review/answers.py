"""What the server answers beside the page itself: that it is working, the report, and no."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from tornado.web import RequestHandler

WORKING = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Review: working</title>{links}</head>
<body style="font: 16px/1.5 system-ui, sans-serif; color: #1B1B1B; margin: 3em">
<p role="status">working: measuring the sweeps ...</p>
<script>fetch("/measured").then(() => location.reload());</script></body></html>"""


class Refused(RequestHandler):
    """Says no, whatever the path."""

    def initialize(self, status: int, why: str) -> None:
        self.status, self.why = status, why

    def prepare(self) -> None:
        self.set_status(self.status)
        self.set_header("Content-Type", "text/plain; charset=utf-8")
        self.set_header("Connection", "close")
        self.finish(self.why + "\n")


class Working(RequestHandler):
    """A page that says that the sweeps are being measured, and loads the scripts of the one that follows."""

    def initialize(self, scripts: Sequence[str]) -> None:
        self.scripts = scripts

    def get(self) -> None:
        links = "".join(f'<link rel="preload" as="script" href="{script}">' for script in self.scripts)
        self.set_header("Content-Type", "text/html; charset=utf-8")
        self.finish(WORKING.format(links=links))


class Measured(RequestHandler):
    """Answers when the sweeps are measured."""

    def initialize(self, first: Future[Any] | None) -> None:
        self.first = first

    async def get(self) -> None:
        if self.first is not None:
            await asyncio.wait([asyncio.wrap_future(self.first)])
        self.finish("measured")


class Report(RequestHandler):
    """The page of the report that was made last; where it lies is known here only."""

    def initialize(self, where: Callable[[], Path | None]) -> None:
        self.where = where

    def get(self) -> None:
        path = self.where()
        if path is None or not path.is_file():
            self.set_status(404)
            self.set_header("Content-Type", "text/plain; charset=utf-8")
            self.finish("There is no report yet; make one on the review page.\n")
            return
        self.set_header("Content-Type", "text/html; charset=utf-8")
        self.finish(path.read_bytes())
