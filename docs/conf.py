"""How Sphinx builds these pages: ``python scripts/build_docs.py``. Nothing on them is fetched from anywhere."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from pygments.lexers.special import TextLexer

_about = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8"))["project"]

project = _about["name"]
version = release = _about["version"]
extensions = ["myst_parser"]
myst_heading_anchors = 3
exclude_patterns = ["_build"]
highlight_language = "none"  # blocks without a language are commands; those of Python, TOML and CSV say so
html_theme = "furo"
html_theme_options = {"navigation_with_keys": True}
html_title = f"{project} {version}"
html_static_path = ["_static"]
html_css_files = ["pages.css"]
html_show_sourcelink = False
html_copy_source = False


def _sidebar(_: Any, name: str, text: list[str]) -> None:
    """Put the pages that the index links into the sidebar, under the index' own headings: they are listed once."""
    if name != "index":
        return
    heading = ""
    pages: dict[str, list[str]] = {}
    for bold, page in re.findall(r"^\*\*(.+?)\*\*$|\]\(([\w/-]+)\.md\)", text[0], re.MULTILINE):
        if bold:
            heading = bold
        elif page not in pages.setdefault(heading, []):
            pages[heading].append(page)
    for heading, names in pages.items():
        entries = "\n".join(names)
        text[0] += f"\n```{{toctree}}\n:hidden:\n:caption: {heading}\n\n{entries}\n```\n"


def setup(app: Any) -> None:
    """Called by Sphinx."""
    app.add_lexer("csv", TextLexer)
    app.connect("source-read", _sidebar)
