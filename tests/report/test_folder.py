"""What cannot be written is refused before any work; a folder that a report wrote is renewed, and nothing else."""

from __future__ import annotations

import base64
import builtins
import http.server
import json
import re
import threading
import zlib
from dataclasses import replace
from pathlib import Path
from typing import Any, ClassVar

import pytest

from sts.analysis import Analysis
from sts.report import write_results
from sts.report.folder import PDF, pdf_of, ready_to_write, write_files


@pytest.fixture
def small(invented: Analysis) -> Analysis:
    return replace(invented, spectra=None, sets=invented.sets[2:])


def test_an_empty_or_new_folder_and_other_files_are_no_hindrance(tmp_path: Path) -> None:
    assert ready_to_write(tmp_path / "new") is None
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    assert ready_to_write(tmp_path, renew=True) is None


@pytest.mark.usefixtures("unprinted")
def test_results_are_refused_before_any_work_unless_they_are_renewed(small: Analysis, tmp_path: Path) -> None:
    write_results(small, tmp_path, what="compare")
    with pytest.raises(ValueError, match="is there already"):
        ready_to_write(tmp_path, what="compare")
    with pytest.raises(ValueError, match="is there already"):
        ready_to_write(tmp_path, what="barrier", renew=True)  # of another kind
    before = ready_to_write(tmp_path, what="compare", renew=True)
    assert before is not None
    assert before["session"] == small.session
    write_results(small, tmp_path, what="compare", renew=True)


@pytest.mark.usefixtures("unprinted")
def test_a_file_that_is_not_of_the_earlier_results_is_never_renewed(small: Analysis, tmp_path: Path) -> None:
    write_results(small, tmp_path, what="compare")
    path = tmp_path / "results.json"
    listing = json.loads(path.read_text(encoding="utf-8"))
    listing["files"].remove("barrier_tips.csv")
    path.write_text(json.dumps(listing), encoding="utf-8")
    (tmp_path / "barrier_tips.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(ValueError, match=r"barrier_tips\.csv is there already; nothing was written"):
        write_results(small, tmp_path, what="compare", renew=True)
    assert (tmp_path / "barrier_tips.csv").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize("text", ["{}", "[]", "no json", '{"plan": {}, "what": "report"}'])
def test_results_of_another_tool_are_not_renewed(tmp_path: Path, text: str) -> None:
    (tmp_path / "results.json").write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match="is there already"):
        ready_to_write(tmp_path, renew=True)
    assert ready_to_write(tmp_path, force=True) is None


def test_the_pdf_of_an_earlier_page_does_not_stay_beside_a_new_page(tmp_path: Path) -> None:
    before = {"plan": {}, "what": "report", "versions": {"sts": "0"}, "files": ["report.html", "results.json"]}
    text = json.dumps(before).encode()
    write_files(tmp_path, {"report.html": b"old", "results.json": text, PDF: b"old"}, force=False)
    write_files(tmp_path, {"report.html": b"new", "results.json": text}, force=False, before=before)
    assert (tmp_path / "report.html").read_bytes() == b"new"
    assert not (tmp_path / PDF).exists()


def test_a_missing_library_for_the_pdf_is_told_before_any_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def without(name: str, *args: Any, **kwargs: Any) -> Any:
        if name == "weasyprint":
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(ValueError, match=r"Install the extra: pip install 'sts\[pdf\]'"):
        ready_to_write(tmp_path, pdf=True)
    assert ready_to_write(tmp_path, what="compare", pdf=True) is None


ELSEWHERE = """<html lang="en"><head><title>t</title><link rel="stylesheet" href="WEB/a.css"><link rel="attachment" href="FILE">
<style>@import "WEB/b.css"; @import url(FILE); @font-face {font-family: F; src: url(WEB/f.woff)}
body {background: url(WEB/c.png); list-style: url("FILE"); font-family: F}</style></head><body><p>words</p>
<img src="WEB/d.png"><img src="FILE"><img src="//HOST/e.png"><object data="WEB/g.svg"></object><embed src="FILE">
<svg width="9" height="9"><image href="WEB/h.png" width="9" height="9"/><image xlink:href="FILE"/><use href="WEB/i.svg#a"/></svg>
<img src="data:image/svg+xml;base64,SVG" alt="own"></body></html>"""
OWN = """<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" width="9" height="9">
<style>@import url(WEB/j.css); rect {fill: url(FILE#a)}</style><rect width="9" height="9"/>
<image xlink:href="WEB/k.png" href="FILE"/></svg>"""


class Asked(http.server.BaseHTTPRequestHandler):
    """A server that notes what it is asked for."""

    paths: ClassVar[list[str]] = []

    def do_GET(self) -> None:
        self.paths.append(self.path)
        self.send_error(404)

    def log_message(self, *_: object) -> None:
        pass


def _page(web: str, file: str) -> str:
    def filled(text: str) -> str:
        return text.replace("WEB", web).replace("FILE", file).replace("HOST", web.partition("//")[2])

    return filled(ELSEWHERE).replace("SVG", base64.b64encode(filled(OWN).encode()).decode())


class _Maker:
    """As much of a maker of PDF as fetches: it asks for every address that stands in the page, as the real one may."""

    class urls:
        class URLFetcher:
            def __init__(self, **limits: object) -> None:
                self.limits = limits

            def fetch(self, url: str, headers: object = None) -> str:
                return f"fetched {url}"

    fetched: ClassVar[list[str]] = []
    refused: ClassVar[list[str]] = []

    class HTML:
        def __init__(self, string: str, url_fetcher: Any) -> None:
            self.addresses = re.findall(r"(?:data:|https?:|file:|//|DATA:)[^\s\"')>]+", string)
            self.fetcher = url_fetcher

        def write_pdf(self, pdf_variant: str) -> bytes:
            for address in self.addresses:
                try:
                    _Maker.fetched.append(self.fetcher.fetch(address))
                except ValueError:
                    _Maker.refused.append(address)
            return pdf_variant.encode()


def test_for_a_pdf_only_data_within_the_page_are_fetched() -> None:
    """With a maker that stands in for the real one, which not every machine has (the next test asks that)."""
    page = _page("http://elsewhere.example", "file:///etc/passwd").replace("</body>", '<img src="DATA:,x"></body>')
    assert pdf_of(page, _Maker) == b"pdf/ua-1"
    assert len(_Maker.refused) >= 12
    assert len(_Maker.fetched) == 2
    assert all(one.lower().startswith("fetched data:") for one in _Maker.fetched)


def test_the_maker_of_pdf_reads_no_file_and_asks_no_server(tmp_path: Path) -> None:
    """Whatever a page names: in HTML, in style sheets, in a drawing within the page or within its data."""
    maker = pytest.importorskip("weasyprint", reason="the extra 'pdf' is not installed")
    server = http.server.HTTPServer(("127.0.0.1", 0), Asked)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    secret = tmp_path / "secret.txt"
    secret.write_text("the secret words")
    page = _page(f"http://127.0.0.1:{server.server_port}", secret.as_uri())
    try:
        made = pdf_of(page, maker)
        assert Asked.paths == []
        assert b"secret" not in made + b"".join(
            zlib.decompress(packed)
            for packed in re.findall(rb"/FlateDecode.*?stream\r?\n(.*?)\r?\nendstream", made, re.DOTALL)
        )
        maker.HTML(string=page).write_pdf()
        assert Asked.paths  # left to itself, it asks
    finally:
        server.shutdown()
        server.server_close()
