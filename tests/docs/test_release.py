"""What a release says of itself is said once: version, licence and authors."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import sts

ROOT = Path(__file__).resolve().parents[2]
ABOUT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def test_the_citation_has_version_licence_and_authors_of_the_project() -> None:
    said = dict(
        re.findall(r"^(?:  - )?([\w-]+): (.+)$", (ROOT / "CITATION.cff").read_text(encoding="utf-8"), re.MULTILINE)
    )
    assert said["version"] == ABOUT["version"] == sts.__version__
    assert said["license"] == ABOUT["license"]
    assert said["cff-version"] == "1.2.0"
    assert said["name"].strip() in (ROOT / "LICENSE").read_text(encoding="utf-8")
    assert said["title"].lower().endswith(ABOUT["description"].lower()[-40:] + '"')


def test_changelog_and_release_notes_begin_with_this_version() -> None:
    for page in ("CHANGELOG.md", "docs/release-notes.md"):
        first = re.search(r"^## (\S+)", (ROOT / page).read_text(encoding="utf-8"), re.MULTILINE)
        assert first is not None
        assert first[1] == ABOUT["version"], page
