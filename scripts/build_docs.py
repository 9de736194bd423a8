"""Build the documentation as web pages that work from disk: ``python scripts/build_docs.py``.

Needs only Python 3.11 or newer, like the other scripts; the pages on Markdown read as well without it.
"""

from __future__ import annotations

import sys

from _environment import ROOT, run

OUT = ROOT / "docs" / "_build"


def main() -> int:
    status = run("-m", "sphinx", "-q", "-W", "--keep-going", "-b", "html", "docs", str(OUT), lock="docs")
    if not status:
        print(f"Open {(OUT / 'index.html').relative_to(ROOT)} in a browser.")
    return status


if __name__ == "__main__":
    sys.exit(main())
