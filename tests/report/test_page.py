"""The page: whole in itself, well formed, readable by everybody."""

from __future__ import annotations

import re
from dataclasses import replace
from html import escape
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from report.conftest import Outline

from sts.analysis import Analysis
from sts.report import render_page
from sts.report.drawing import draw
from sts.report.pictures import gallery
from sts.report.summary import Summary

TEMPLATES = Path(__file__).resolve().parents[2] / "sts" / "report" / "templates"


def test_page_is_well_formed(outline: Outline) -> None:
    assert outline.mistakes == []


def test_page_asks_nobody_for_anything(page: str, outline: Outline) -> None:
    for tag, attrs, _ in outline.elements:
        for name in ("src", "href", "xlink:href", "action", "data", "poster", "srcset"):
            value = attrs.get(name, "")
            assert value == "" or value.startswith(("#", "data:")), f"<{tag} {name}={value[:60]}>"
    assert "@import" not in page
    assert not re.search(r"url\((?!#)", page)
    addresses = set(re.findall(r"https?://[^\s\"'<>]+", page))
    assert addresses <= {"http://www.w3.org/1999/xlink", "http://www.w3.org/2000/svg"}  # names of vocabularies


def test_page_forbids_requests_by_policy(outline: Outline) -> None:
    policies = [a["content"] for a, _ in outline.all("meta") if a.get("http-equiv") == "Content-Security-Policy"]
    assert len(policies) == 1
    assert "default-src 'none'" in policies[0]


def test_one_first_heading_and_no_level_left_out(outline: Outline) -> None:
    levels = [int(tag[1]) for tag, _, _ in outline.elements if re.fullmatch(r"h[1-6]", tag)]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_language_title_and_landmarks_are_there(outline: Outline) -> None:
    assert outline.all("html")[0][0]["lang"] == "en"
    assert outline.all("title")[0][1]
    for landmark in ("header", "nav", "main", "footer"):
        assert len(outline.all(landmark)) == 1


def test_ids_are_unique_and_links_within_the_page_lead_somewhere(outline: Outline) -> None:
    ids = [attrs["id"] for _, attrs, _ in outline.elements if "id" in attrs]
    assert len(ids) == len(set(ids))
    for attrs, _ in outline.all("a"):
        assert attrs["href"].removeprefix("#") in ids
    for _, attrs, _ in outline.elements:
        reference = attrs.get("href", "")
        if reference.startswith("#"):
            assert reference[1:] in ids
        for name in ("aria-labelledby",):
            assert attrs.get(name, ids[0]) in ids


def test_tables_have_captions_and_scoped_headers(outline: Outline) -> None:
    assert len(outline.all("table")) == len(outline.all("caption")) >= 8
    assert all(attrs.get("scope") in ("col", "row") for attrs, _ in outline.all("th"))


def test_every_figure_has_words_that_state_what_it_found(outline: Outline) -> None:
    plates = [attrs for _, attrs, _ in outline.elements if attrs.get("role") == "img"]
    assert len(plates) == len(outline.all("figure")) >= 15
    for attrs in plates:
        assert re.search(r"\d", attrs["aria-label"]), attrs["aria-label"]
        assert len(attrs["aria-label"]) > 30


def test_every_figure_tells_how_to_read_it(outline: Outline) -> None:
    terms = [text for _, text in outline.all("dt")]
    figures = len(outline.all("figure"))
    assert terms.count("Shows") == terms.count("Good and bad") == terms.count("If bad") == figures


def test_scrolling_parts_can_be_reached_by_keyboard(outline: Outline) -> None:
    for _, attrs, _ in outline.elements:
        if "scroll" in attrs.get("class", "").split():
            assert attrs.get("tabindex") == "0"
            assert attrs.get("aria-label")


def test_inputs_have_labels(outline: Outline) -> None:
    labels = [text for _, text in outline.all("label")]
    assert len(labels) == sum(len(outline.all(tag)) for tag in ("input", "select", "textarea"))
    assert all(labels)


def test_page_is_small(page: str) -> None:
    assert len(page.encode()) < 2_000_000


def test_the_word_work_function_is_only_used_to_deny_it(page: str) -> None:
    text = re.sub(r"<[^>]+>", " ", page)
    for found in re.finditer("work function", text):
        before = text[max(0, found.start() - 8) : found.start()]
        assert before.endswith(("not a ", "not a")), text[found.start() - 60 : found.end() + 20]


def test_cautions_stand_once(page: str) -> None:
    assert page.count("Piezo drives carry") == 1
    assert page.count("Local rules and the qualified people") == 1


def test_missing_items_of_the_checklist_are_marked(outline: Outline) -> None:
    rows = [text for attrs, text in outline.all("tr") if attrs.get("class") == "missing"]
    assert any("Environment" in row and "Missing." in row for row in rows)
    assert any(text.startswith("Draft: 6 of") for _, text in outline.all("p"))


# --- colours of the page, light and dark --------------------------------------------------------------------------


def palette(css: str, *, dark: bool) -> dict[str, str]:
    blocks = re.findall(r":root \{([^}]*)\}", css)
    colours = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,6});", blocks[0]))
    return colours | dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,6});", blocks[1])) if dark else colours


def luminance(colour: str) -> float:
    """WCAG 2.2 (W3C Recommendation), definition of relative luminance."""
    digits = colour[1:] if len(colour) == 7 else "".join(2 * c for c in colour[1:])
    rgb = np.array([int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)])
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize(
    ("ink", "ground", "least"),
    [
        (ink, ground, 4.5)
        for ink in ("ink", "soft", "accent")
        for ground in ("page", "sheet", "head", "out", "mind-page")
    ]
    + [("mind-rule", "page", 3.0), ("mind-rule", "mind-page", 3.0), ("accent", "page", 3.0)],
)
def test_text_stands_out_from_its_ground(ink: str, ground: str, least: float, dark: bool) -> None:
    """WCAG 2.2: 1.4.3 asks 4.5:1 for text, 1.4.11 asks 3:1 for marks that carry meaning."""
    colours = palette((TEMPLATES / "page.css").read_text(encoding="utf-8"), dark=dark)
    high, low = sorted((luminance(colours[ink]), luminance(colours[ground])), reverse=True)
    assert (high + 0.05) / (low + 0.05) >= least


def test_on_paper_stands_only_what_paper_can_show(invented: Analysis) -> None:
    """Each figure an image with its finding as text in its place; nothing to press; of the sweeps those with a flag or left out."""
    summary = Summary(invented)
    drawn = [draw(picture, width="single") for picture in gallery(summary)[:2]]
    paper = render_page(summary, drawn, paper=True)
    assert paper.count('<img src="data:image/svg+xml;base64,') == 2
    assert all(f'alt="{escape(one.picture.finding)}"' in paper for one in drawn)
    assert not re.search(r"<(script|nav|button|select|textarea)\b", paper)
    rows = re.findall(r'<tr[^>]* data-state="(kept|out)( flagged)?"', paper)
    assert rows
    assert ("kept", "") not in rows
    assert "plan.toml" in paper


def test_of_very_many_files_and_decisions_some_stand_on_the_page_and_a_sentence_says_where_all_are(
    invented: Analysis,
) -> None:
    files = pd.concat([invented.sources] * (1 + 1000 // len(invented.sources)), ignore_index=True)
    taken = pd.DataFrame(
        {"time": "2026-11-03", "sweep": [f"r{i}" for i in range(900)], "action": "omit", "why": "touched", "by": ""}
    )
    page = render_page(Summary(replace(invented, sources=files, decisions=taken)), [])
    assert f"The first 400 of {len(files)} files; all stand in sources.csv." in page
    assert page.count("<code>" + str(files["sha256"].iloc[0])) <= 400
    assert "The last 400 of 900 decisions; all stand in decisions.csv." in page
    assert ">r899<" in page
    assert ">r499<" not in page
