"""The built pages work from disk: no page asks anybody for anything, no link is broken, every page is in the sidebar."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FETCHED = re.compile(r"""<(?:script|link|img|iframe|source)\b[^>]*?(?:src|href)=["']((?:https?:)?//[^"']*)""")


def test_built_pages_fetch_nothing_and_have_no_broken_reference(tmp_path):
    pytest.importorskip("sphinx", reason="the pages are built by scripts/build_docs.py, which installs Sphinx")
    pytest.importorskip("myst_parser", reason="the pages are built by scripts/build_docs.py, which installs MyST")
    pytest.importorskip("furo", reason="the pages are built by scripts/build_docs.py, which installs the theme")
    command = [
        sys.executable,
        "-m",
        "sphinx",
        "-q",
        "-W",
        "--keep-going",
        "-b",
        "html",
        str(ROOT / "docs"),
        str(tmp_path),
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    pages = {path: path.read_text(encoding="utf-8") for path in tmp_path.rglob("*.html")}
    assert len(pages) > 20
    assert {path.name: FETCHED.findall(text) for path, text in pages.items() if FETCHED.findall(text)} == {}
    for sheet in tmp_path.rglob("*.css"):
        assert not re.search(r"url\(\s*[\"']?(https?:)?//|@import", sheet.read_text(encoding="utf-8")), sheet.name
    version = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    first = pages[tmp_path / "index.html"]
    assert f"sts {version}" in first
    sidebar = first[first.index('class="sidebar-tree"') :].split("</aside>")[0]
    listed = set(re.findall(r'href="([^"#]+)"', sidebar))
    written = {path.relative_to(ROOT / "docs").with_suffix(".html").as_posix() for path in _written()}
    assert written - {"index.html"} == listed
    # Commands are no Python, in which `import` and `try` would be coloured.
    for page in pages.values():
        assert not re.search(
            r'highlight-(default|python)[^"]*"><div class="highlight"><pre>(<span></span>)?\s*sts ', page
        )


def _written() -> list[Path]:
    return [path for path in (ROOT / "docs").rglob("*.md") if "_build" not in path.parts]
