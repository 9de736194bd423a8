"""Who is let in, for how long, and how the server ends: asked by plain clients, as somebody else on this machine might."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")

from bokeh.document import Document
from bokeh.models import Div
from tornado.httpclient import AsyncHTTPClient, HTTPClientError, HTTPRequest, HTTPResponse
from tornado.httpserver import HTTPServer
from tornado.websocket import websocket_connect

from sts.review import server
from sts.review.server import Door, GuardedPage, listen

PATHS = (
    "/",
    "/ws",
    "/static/js/bokeh.min.js",
    "/autoload.js",
    "/metadata",
    "/report",
    "/favicon.ico",
    "/nothing",
    "//",
    "/static/",
)


def build(doc: Document) -> None:
    doc.add_root(Div(text="the page"))
    doc.title = "page"


@asynccontextmanager
async def served(
    report: Callable[[], Path | None] | None = None, first: Future[None] | None = None
) -> AsyncIterator[GuardedPage]:
    """A page that is served within the loop that runs."""
    from bokeh.server.server import BaseServer
    from tornado.ioloop import IOLoop

    here, port = listen(0)
    page = GuardedPage(Door(port), build, report, first)
    http = HTTPServer(page)
    http.add_socket(here)
    running = BaseServer(IOLoop.current(), page, http)
    running.start()
    try:
        yield page
    finally:
        running.stop()
        await http.close_all_connections()
        await asyncio.sleep(0.02)  # in which the clients notice


async def ask(page: GuardedPage, path: str, **headers: str) -> HTTPResponse:
    return await fetched(f"http://127.0.0.1:{page.door.port}{path}", headers={"Connection": "close", **headers})


async def fetched(url: str, **kwargs: Any) -> HTTPResponse:
    client = AsyncHTTPClient(force_instance=True)
    try:
        return await client.fetch(url, raise_error=False, follow_redirects=False, **kwargs)
    finally:
        client.close()


async def socket_opens(page: GuardedPage, path: str, **headers: str) -> bool:
    token = await session_token(page)
    url = f"ws://127.0.0.1:{page.door.port}{path}"
    try:
        connection = await websocket_connect(HTTPRequest(url, headers=headers), subprotocols=["bokeh", token])
    except HTTPClientError as error:
        if error.code != 403:
            raise
        return False
    message = await connection.read_message()
    await hang_up(connection)
    return message is not None and "ACK" in str(message)


async def hang_up(connection: Any) -> None:
    connection.close()
    while await connection.read_message() is not None:
        pass


async def session_token(page: GuardedPage) -> str:
    """Bokeh's own token of a page that was opened; it alone must open nothing."""
    html = (await ask(page, f"/?token={page.door.token}")).body.decode()
    return str(json.JSONDecoder().raw_decode(html.split('"token":')[1])[0])


def within(scenario: Callable[[GuardedPage], Awaitable[Any]], **kwargs: Any) -> Any:
    async def run() -> Any:
        async with served(**kwargs) as page:
            return await scenario(page)

    return in_own_thread(run())


def in_own_thread(scenario: Coroutine[Any, Any, Any]) -> Any:
    """Run a scenario in a loop and a thread of its own: the browser tests of the same process may have left a loop in this one."""
    with ThreadPoolExecutor(1) as hand:
        return hand.submit(asyncio.run, scenario).result()


@pytest.mark.parametrize("path", PATHS)
def test_nothing_is_served_without_the_token(path: str) -> None:
    async def scenario(page: GuardedPage) -> None:
        right = page.door.token
        for said in (
            "",
            "token=",
            "token=wrong",
            f"token={right[:-1]}",
            f"token={right}x",
            f"token={right}&token={right}",
        ):
            answer = await ask(page, f"{path}?{said}")
            assert answer.code == 403, said
            assert b"token is missing or wrong" in answer.body
            assert right.encode() not in answer.body
            assert "Set-Cookie" not in answer.headers

    within(scenario)


def test_the_printed_address_opens_the_page_and_the_rest_follows_by_cookie() -> None:
    async def scenario(page: GuardedPage) -> None:
        answer = await ask(page, f"/?token={page.door.token}")
        assert answer.code == 200
        given = answer.headers["Set-Cookie"]
        assert "HttpOnly" in given
        assert "SameSite=Strict" in given
        cookie = given.split(";")[0]
        for path in ("/", "/static/js/bokeh.min.js", "/static/js/bokeh-tables.min.js"):
            answer = await ask(page, path, Cookie=cookie)
            assert answer.code == 200
            assert "Set-Cookie" not in answer.headers
        assert await socket_opens(page, "/ws", Cookie=cookie)
        assert await socket_opens(page, f"/ws?token={page.door.token}")

    within(scenario)


def test_a_wrong_cookie_opens_nothing() -> None:
    async def scenario(page: GuardedPage) -> None:
        for said in ("", "wrong", page.door.token[:-1], "ä"):
            for path in ("/", "/static/js/bokeh.min.js"):
                assert (await ask(page, path, Cookie=f"{page.door.cookie}={said}")).code == 403
            assert not await socket_opens(page, "/ws", Cookie=f"{page.door.cookie}={said}")
        assert (await ask(page, "/", Cookie=f"other={page.door.token}")).code == 403

    within(scenario)


def test_what_tells_documents_apart_opens_no_socket() -> None:
    async def scenario(page: GuardedPage) -> bool:
        return await socket_opens(page, "/ws")

    assert within(scenario) is False


HOSTS = (
    "rebound.example", "rebound.example:{port}", "127.0.0.1", "127.0.0.1:1", "localhost", "127.0.0.1.example:{port}",
    "[::1]:{port}", "0.0.0.0:{port}", "",
)  # fmt: skip
ORIGINS = (
    "http://evil.example", "https://127.0.0.1:{port}", "http://127.0.0.1:1", "http://localhost", "null", "file://", "",
)  # fmt: skip


@pytest.mark.parametrize("host", HOSTS)
def test_another_host_is_refused_even_with_the_token(host: str) -> None:
    """A name somewhere else that was made to point to this machine (DNS rebinding) says itself as Host."""

    async def scenario(page: GuardedPage) -> None:
        said = host.format(port=page.door.port)
        for path in ("/", "/ws", "/static/js/bokeh.min.js"):
            answer = await ask(page, f"{path}?token={page.door.token}", Host=said)
            assert answer.code in (400, 403)  # 400: HTTP itself refuses an empty one
        assert answer.code == 400 or not await socket_opens(page, f"/ws?token={page.door.token}", Host=said)

    within(scenario)


def test_both_names_of_this_machine_are_let_in() -> None:
    async def scenario(page: GuardedPage) -> None:
        for name in ("127.0.0.1", "localhost", "LOCALHOST"):
            answer = await ask(page, f"/?token={page.door.token}", Host=f"{name}:{page.door.port}")
            assert answer.code == 200

    within(scenario)


@pytest.mark.parametrize("origin", ORIGINS)
def test_a_page_of_another_origin_opens_no_socket(origin: str) -> None:
    async def scenario(page: GuardedPage) -> None:
        said = origin.format(port=page.door.port)
        assert not await socket_opens(page, f"/ws?token={page.door.token}", Origin=said)
        assert (await ask(page, f"/?token={page.door.token}", Origin=said)).code == 403

    within(scenario)


def test_the_page_itself_opens_its_socket() -> None:
    async def scenario(page: GuardedPage) -> None:
        for host in page.door.hosts:
            assert await socket_opens(page, f"/ws?token={page.door.token}", Origin=f"http://{host}")

    within(scenario)


def test_an_origin_allowed_by_the_environment_is_refused_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BOKEH_ALLOW_WS_ORIGIN", "*")

    async def scenario(page: GuardedPage) -> bool:
        return await socket_opens(page, f"/ws?token={page.door.token}", Origin="http://evil.example")

    assert within(scenario) is False


@pytest.mark.parametrize(
    "path", ["/autoload.js", "/metadata", "/static/../server.py", "/static/js/../../server.py", "/static/js/%2e%2e/%2e%2e/x",
             "/static/extensions/x", "/static/css/x", "/../../etc/passwd", "/static/js//etc/passwd", "/session.h5"],
)  # fmt: skip
def test_no_path_of_a_file_is_taken_from_the_browser(path: str) -> None:
    async def scenario(page: GuardedPage) -> None:
        answer = await ask(page, f"{path}?token={page.door.token}")
        assert answer.code in (403, 404)
        assert b"root:" not in answer.body
        assert b"import" not in answer.body

    within(scenario)


def test_the_page_takes_its_scripts_from_this_server_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BOKEH_RESOURCES", "cdn")

    async def scenario(page: GuardedPage) -> HTTPResponse:
        return await ask(page, f"/?token={page.door.token}")

    answer = within(scenario)
    html = answer.body.decode()
    assert "http://" not in html.replace("http://www.w3.org", "")
    assert "https://" not in html
    assert html.count('src="/static/js/') == 3
    assert "connect-src 'self'" in answer.headers["Content-Security-Policy"]
    assert answer.headers["Referrer-Policy"] == "no-referrer"
    assert answer.headers["Cache-Control"] == "no-store"


def test_the_page_does_not_hold_what_the_browser_sent() -> None:
    """Bokeh writes headers and cookies of the request into the page, where a script could read them."""

    async def scenario(page: GuardedPage) -> None:
        import base64

        token = await session_token(page)
        payload = base64.urlsafe_b64decode(token.split(".")[0] + "==")
        assert b"User-Agent" not in payload
        assert page.door.cookie.encode() not in payload

    within(scenario)


def test_until_the_sweeps_are_measured_a_page_says_so_and_waits() -> None:
    first: Future[None] = Future()

    async def scenario(page: GuardedPage) -> None:
        answer = await ask(page, f"/?token={page.door.token}")
        assert "working: measuring" in answer.body.decode()
        assert "Set-Cookie" in answer.headers
        waiting = asyncio.ensure_future(ask(page, f"/measured?token={page.door.token}"))
        await asyncio.sleep(0.2)
        assert not waiting.done()
        first.set_result(None)
        assert (await waiting).body == b"measured"
        assert "working" not in (await ask(page, f"/?token={page.door.token}")).body.decode()

    within(scenario, first=first)


def test_only_reading_is_allowed() -> None:
    async def scenario(page: GuardedPage) -> None:
        for method in ("POST", "PUT", "DELETE", "OPTIONS"):
            answer = await fetched(page.door.address, method=method, allow_nonstandard_methods=True)
            assert answer.code == 403

    within(scenario)


def test_the_report_is_shown_when_there_is_one(tmp_path: Path) -> None:
    made = tmp_path / "report.html"

    async def scenario(page: GuardedPage) -> None:
        address = f"/report?token={page.door.token}"
        assert (await ask(page, address)).code == 404
        made.write_text("<h1>the report</h1>")
        answer = await ask(page, address)
        assert (answer.code, answer.body) == (200, b"<h1>the report</h1>")
        assert (await ask(page, "/report")).code == 403

    within(scenario, report=lambda: made)


def test_it_listens_on_the_loopback_address_only() -> None:
    here, _ = listen(0)
    with here:
        assert here.getsockname()[0] == "127.0.0.1"


def test_a_port_that_is_taken_gives_the_next_free_one() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        here, got = listen(port)
        with here:
            assert port < got < port + server.PORTS_TRIED


def test_where_no_port_is_free_it_says_which_were_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "PORTS_TRIED", 1)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(ValueError, match=f"No port from {port} to {port} is free on 127.0.0.1; give another one"):
            listen(port)


def test_tokens_differ_and_are_not_printed_by_chance() -> None:
    one, other = Door(5100), Door(5100)
    assert one.token != other.token
    assert len(one.token) >= 40
    assert one.token not in repr(one)


SERVING = """
import signal
signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell may have it ignored in the background
import sys
from bokeh.models import Div
from sts.review.server import serve
serve(lambda doc: doc.add_root(Div(text="page")), port=0, closed_s=float(sys.argv[1]), say=lambda t: print(t, flush=True))
"""


@contextlib.contextmanager
def running(closed_s: float) -> Any:
    """The server as a program of its own."""
    environment = os.environ | {"PYTHONPATH": str(Path(server.__file__).parents[2])}
    process = subprocess.Popen(
        [sys.executable, "-c", SERVING, str(closed_s)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=environment,
    )  # fmt: skip
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


@pytest.mark.skipif(os.name == "nt", reason="Windows sends no such signals to another program")
@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM])
def test_it_waits_for_a_page_that_was_never_opened_and_ends_when_asked_without_a_traceback(
    sent: signal.Signals,
) -> None:
    with running(0.1) as process:
        address = process.stdout.readline().strip()
        assert address.startswith("http://127.0.0.1:")
        assert "?token=" in address
        assert process.stdout.readline() == "Ends with Ctrl-C, or 0.1 s after the page is closed.\n"
        with pytest.raises(subprocess.TimeoutExpired):
            process.wait(timeout=0.6)
        process.send_signal(sent)
        rest, errors = process.communicate(timeout=120)
    assert process.returncode == 0
    assert rest == "The review has ended; every decision is in the session.\n"
    assert errors == ""


def test_it_ends_when_the_page_has_been_closed_for_a_while() -> None:
    with running(0.5) as process:
        address = process.stdout.readline().strip()

        async def look_and_go() -> None:
            html = (await fetched(address)).body.decode()
            token = json.JSONDecoder().raw_decode(html.split('"token":')[1])[0]
            url = address.replace("http:", "ws:").replace("/?", "/ws?")
            connection = await websocket_connect(url, subprotocols=["bokeh", token])
            await connection.read_message()
            await asyncio.sleep(1.2)
            assert process.poll() is None  # open longer than a page may be closed
            await hang_up(connection)

        in_own_thread(look_and_go())
        assert process.wait(timeout=120) == 0
        assert process.stderr.read() == ""
