"""How Sphinx builds these pages: ``python scripts/build_docs.py``. Nothing on them is fetched from anywhere."""

project = "sts"
extensions = ["myst_parser"]
myst_heading_anchors = 3
exclude_patterns = ["_build"]
suppress_warnings = ["toc.not_included"]  # index.md links every page, which a test checks
html_theme = "alabaster"
html_sidebars = {"**": ["searchbox.html"]}
html_show_sourcelink = False
html_title = "sts"
