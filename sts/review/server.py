"""The server of the page: this machine only, a token on every request and socket, an end when the page is closed.

Bokeh's own tokens tell its documents apart; they keep nobody out. The door here stands before everything else: it asks each
request, of whatever path, for the Host of this server (a name that was made to point here is refused), for the Origin of
this page where one is told, and for the token of the printed address, in the query or in the cookie that a page opened
with it was given.
"""

from __future__ import annotations

import asyncio
import os
import secrets
import signal
import socket
import webbrowser
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from bokeh.document import Document
from bokeh.resources import Component, Resources
from bokeh.server.server import BaseServer
from bokeh.server.tornado import BokehTornado
from bokeh.server.views.static_handler import StaticHandler
from bokeh.server.views.ws import WSHandler
from tornado.httpserver import HTTPServer
from tornado.httputil import HTTPHeaders, HTTPServerRequest
from tornado.ioloop import IOLoop
from tornado.web import OutputTransform

from sts.review.answers import Measured, Refused, Report, Working
from sts.review.one_message import OneMessage

LOOPBACK = "127.0.0.1"
PORTS_TRIED = 50
CLOSED_S = 30.0  # after the last page was closed; a page that is loaded again comes back sooner
COMPONENTS: list[Component] = ["bokeh", "bokeh-widgets", "bokeh-tables"]
# What the browser may do with the page: take nothing from, send nothing to and show it within no other place.
# Bokeh makes style sheets in the page and functions from text; neither comes from a session.
POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self'; object-src 'none'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)


@dataclass(frozen=True)
class Door:
    """Who is let in."""

    port: int
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32), repr=False)

    @property
    def hosts(self) -> tuple[str, str]:
        """What the header Host may say."""
        return f"{LOOPBACK}:{self.port}", f"localhost:{self.port}"

    @property
    def address(self) -> str:
        """Of the page, with its token."""
        return f"http://{LOOPBACK}:{self.port}/?token={self.token}"

    @property
    def cookie(self) -> str:
        """Its name; browsers do not keep the cookies of different ports apart."""
        return f"sts_review_{self.port}"

    def refusal(self, request: HTTPServerRequest) -> str:
        """Why a request is not let in; nothing if it is.

        Parameters
        ----------
        request : tornado.httputil.HTTPServerRequest
        """
        if request.method not in ("GET", "HEAD"):
            return "This page is only read; its socket does the rest."
        if request.host.lower() not in self.hosts:
            return "This server answers to its own address only."
        origin = request.headers.get("Origin")
        if origin is not None and origin.lower() not in [f"http://{host}" for host in self.hosts]:
            return "A page of another origin asked."
        if not (self.has_token(request) or self._is(_cookie_of(request, self.cookie))):
            return "The token is missing or wrong. Open the whole address that 'sts review' printed, token and all."
        return ""

    def has_token(self, request: HTTPServerRequest) -> bool:
        """Whether the query of a request holds the token.

        Parameters
        ----------
        request : tornado.httputil.HTTPServerRequest
        """
        said = request.query_arguments.get("token", [])
        return len(said) == 1 and self._is(said[0])

    def _is(self, said: bytes) -> bool:
        return secrets.compare_digest(said, self.token.encode())


def _cookie_of(request: HTTPServerRequest, name: str) -> bytes:
    found = request.cookies.get(name)
    return found.value.encode("utf-8", "replace") if found is not None else b""


class _Headers(OutputTransform):
    """Puts what keeps the page to itself on every answer, and the cookie on that to the printed address."""

    def __init__(self, request: HTTPServerRequest, door: Door) -> None:
        self.given = (
            f"{door.cookie}={door.token}; HttpOnly; SameSite=Strict; Path=/"
            if request.path == "/" and not door.refusal(request) and door.has_token(request)
            else ""
        )

    def transform_first_chunk(
        self, status_code: int, headers: HTTPHeaders, chunk: bytes, finishing: bool
    ) -> tuple[int, HTTPHeaders, bytes]:
        headers["Content-Security-Policy"] = POLICY
        headers["Referrer-Policy"] = "no-referrer"
        headers["X-Content-Type-Options"] = "nosniff"
        headers["Cross-Origin-Resource-Policy"] = "same-origin"
        headers["Cross-Origin-Opener-Policy"] = "same-origin"
        headers.setdefault("Cache-Control", "no-store")
        if self.given:
            headers.add("Set-Cookie", self.given)
        return status_code, headers, chunk


class GuardedPage(BokehTornado):
    """Bokeh's application behind a door, without what the page does not need.

    Parameters
    ----------
    door : Door
    build : callable(Document)
        Fills the document of each page that is opened.
    report : callable, optional
        Gives the path of the report to show at ``/report``, or None.
    first : concurrent.futures.Future, optional
        Until it is done a page is shown that says so and waits.
    """

    def __init__(
        self, door: Door, build: Callable[[Document], None], report: Callable[[], Path | None] | None = None,
        first: Future[Any] | None = None,
    ) -> None:  # fmt: skip
        super().__init__(
            build,
            extra_websocket_origins=door.hosts,
            extra_patterns=[
                (r"/report", Report, {"where": report or (lambda: None)}),
                (r"/measured", Measured, {"first": first}),
            ],
            secret_key=secrets.token_bytes(32),
            sign_sessions=True,
            include_headers=[],
            include_cookies=[],
            use_index=False,
            check_unused_sessions_milliseconds=5000,
            unused_session_lifetime_milliseconds=5000,
        )
        self.door, self.first = door, first
        self.transforms.append(partial(_Headers, door=door))  # type: ignore[arg-type]

    def find_handler(self, request: HTTPServerRequest, **kwargs: Any) -> Any:
        """Bokeh's handler of a request that is let in, else one that says why not.

        Parameters
        ----------
        request : tornado.httputil.HTTPServerRequest
        **kwargs : object
            As tornado gives them.
        """
        why = self.door.refusal(request)
        if why:
            return self.get_handler_delegate(request, Refused, {"status": 403, "why": why})
        known = request.path in ("/", "/ws", "/report", "/measured", "/favicon.ico") or request.path.startswith(
            "/static/js/"
        )
        if not known:
            return self.get_handler_delegate(request, Refused, {"status": 404, "why": "There is nothing here."})
        if request.path == "/" and self.first is not None and not self.first.done():
            return self.get_handler_delegate(request, Working, {"scripts": self.resources().js_files})
        return super().find_handler(request, **kwargs)

    def get_handler_delegate(self, request: HTTPServerRequest, target_class: Any, *args: Any, **kwargs: Any) -> Any:
        """As tornado's, with our own socket.

        Parameters
        ----------
        request : tornado.httputil.HTTPServerRequest
        target_class : type
        *args, **kwargs : object
            As tornado gives them.
        """
        own = OneMessage if target_class is WSHandler else target_class
        return super().get_handler_delegate(request, own, *args, **kwargs)

    def resources(self, absolute_url: str | bool | None = None) -> Resources:
        """Bokeh's scripts from this server, whatever the environment says; no mathematics, no graphics card.

        Parameters
        ----------
        absolute_url : str or bool, optional
            Not used: all addresses are relative to this server.
        """
        del absolute_url
        return Resources(
            mode="server", root_url="/", path_versioner=StaticHandler.append_version, components=COMPONENTS
        )

    @property
    def pages(self) -> int:
        """How many pages are open."""
        return sum(session.connection_count for session in self.get_sessions("/"))


def listen(port: int) -> tuple[socket.socket, int]:
    """A socket on the loopback address, and its port: `port`, or the next free one after it.

    Parameters
    ----------
    port : int
        0: any.

    Raises
    ------
    ValueError
        If none of them is free.
    """
    last = min(port + PORTS_TRIED, 65536)
    for tried in range(port, last):
        here = socket.socket()
        if os.name != "nt":  # where it would let two servers share a port
            here.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            here.bind((LOOPBACK, tried))
            here.listen()
        except OSError:
            here.close()
            continue
        here.setblocking(False)
        return here, here.getsockname()[1]
    raise ValueError(f"No port from {port} to {last - 1} is free on {LOOPBACK}; give another one with --port.")


def serve(
    build: Callable[[Document], None],
    *,
    report: Callable[[], Path | None] | None = None,
    port: int = 5100,
    browser: bool = False,
    say: Callable[[str], None] = print,
    first: Future[Any] | None = None,
    ready: Callable[[], Sequence[str]] = tuple,
    closed_s: float = CLOSED_S,
) -> None:
    """Serve a page until Ctrl-C, a request to end, or until it has been closed for a while.

    Parameters
    ----------
    build : callable(Document)
        Fills the document of each page that is opened.
    report : callable, optional
        Gives the path of the report to show at ``/report``, or None.
    port : int
        Where to listen; the next free one where it is taken.
    browser : bool
        Whether to open the page in the browser.
    say : callable(str)
        Takes each line that is told; the first is the address.
    first : concurrent.futures.Future, optional
        What must be done before a document is built; meanwhile the page says so.
    ready : callable()
        Called when that is done, before any document is built; gives lines to tell.
    closed_s : float
        How long the page must have been closed [s].

    Raises
    ------
    ValueError
        If no port is free; and whatever `first` ended with.
    """
    with suppress(KeyboardInterrupt):
        asyncio.run(_serve(build, report, port, browser=browser, say=say, first=first, ready=ready, closed_s=closed_s))
    say("The review has ended; every decision is in the session.")


async def _serve(
    build: Callable[[Document], None], report: Callable[[], Path | None] | None, port: int, *, browser: bool,
    say: Callable[[str], None], first: Future[Any] | None, ready: Callable[[], Sequence[str]], closed_s: float,
) -> None:  # fmt: skip
    asked = asyncio.Event()
    with suppress(NotImplementedError):  # Windows
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, asked.set)
    here, got = listen(port)
    door = Door(got)
    opening: Future[Any] = Future()  # done when `ready` was called, so that no document is built before
    page = GuardedPage(door, build, report, opening)
    http = HTTPServer(page)
    http.add_socket(here)
    server = BaseServer(IOLoop.current(), page, http)
    server.start()
    say(door.address)
    if got != port and port:
        say(f"Port {port} is taken; this is port {got}.")
    say(f"Ends with Ctrl-C, or {closed_s:g} s after the page is closed.")
    if browser:
        webbrowser.open(door.address)
    try:
        if await _measured(first, asked):
            for note in ready():
                say(note)
            opening.set_result(None)
        await _until_closed(page, closed_s, asked)
    finally:
        server.stop()
        await http.close_all_connections()


async def _measured(first: Future[Any] | None, asked: asyncio.Event) -> bool:
    """Wait for what comes first; False if the system asks to end before."""
    if first is None:
        return True
    measured, ending = asyncio.wrap_future(first), asyncio.ensure_future(asked.wait())
    await asyncio.wait([measured, ending], return_when=asyncio.FIRST_COMPLETED)
    ending.cancel()
    if measured.done():
        measured.result()  # raises what it ended with
    return measured.done()


async def _until_closed(page: GuardedPage, closed_s: float, asked: asyncio.Event) -> None:
    """Wait until no page was open for so long, after one was; or until the system asks to end."""
    loop = asyncio.get_running_loop()
    opened = False
    last = loop.time()
    while not asked.is_set():
        if page.pages or not opened:
            opened, last = opened or page.pages > 0, loop.time()
        elif loop.time() - last > closed_s:
            return
        with suppress(TimeoutError):
            await asyncio.wait_for(asked.wait(), min(0.5, closed_s / 4))
