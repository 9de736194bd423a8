"""No sentence of the page is untrue, whichever way a session was measured; sentences are short, with few numbers."""

from __future__ import annotations

import html
import re
from dataclasses import dataclass
from functools import cache, cached_property
from typing import Any

import pytest
from report import sessions
from sharing import shared

import sts
from sts.analysis import Analysis
from sts.figures.style import house_style, new_figure
from sts.report.notes import notes
from sts.report.page import render_page
from sts.report.page_tables import page_tables
from sts.report.pictures import gallery
from sts.report.summary import Summary

DEMOS = ("demo", "demo-air")
NUMBER = re.compile(r"(?<![\w.])[−+-]?\d+(?:\.\d+)?(?!\w)")


@dataclass
class Told:
    """What a page says, and what was put into the session."""

    analysis: Analysis
    given: dict[str, Any]

    @cached_property
    def summary(self) -> Summary:
        return Summary(self.analysis)

    @cached_property
    def answers(self) -> list[str]:
        return [text for a in self.summary.answers for text in (a.sentence, a.warning) if text]

    @cached_property
    def short(self) -> list[str]:
        """What must be short: answers, advice and notes."""
        return [*self.answers, *self.summary.improvements, *notes(self.analysis)]

    @cached_property
    def captions(self) -> list[str]:
        return [text for p in gallery(self.summary) for text in (p.title, p.finding)]

    @cached_property
    def prose(self) -> str:
        return "\n".join([self.summary.methods, *self.short, *self.captions])

    def table(self, kind: str) -> Any:
        """The sweeps of a kind as they were put in."""
        parts = [s.table for s in self.given["sets"] if s.kind == kind]
        return sts.sweeps.pd.concat(parts, ignore_index=True) if parts else None

    @property
    def left_out(self) -> set[str]:
        return set(self.given.get("omit", ()))

    def repeats(self, kind: str) -> tuple[int, int]:
        """(with both directions, all) of the repeats that nobody left out and that have a tip, or are I(V)."""
        rows = self.table(kind)
        rows = rows[~rows["sweep"].isin(self.left_out)]
        rows = rows[rows["tip"] != ""] if kind == "iz" else rows
        keys = [c for c in ("sample", "tip", "site", "setpoint_current_A", "repeat") if c in rows]
        directions = rows.groupby(keys)["direction"].nunique()
        return int((directions == 2).sum()), len(directions)


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Any:
    @cache
    def get(name: str) -> Told:
        return Told(*shared(tmp_path_factory, f"told-{name}", lambda folder: sessions.analysed(name, folder)))

    return get


@pytest.fixture(scope="module")
def demo(demo_analysis: Analysis, air_analysis: Analysis) -> Any:
    return {"demo": Told(demo_analysis, {}), "demo-air": Told(air_analysis, {})}.__getitem__


every = pytest.mark.parametrize("name", sessions.SESSIONS)


def sentences(text: str) -> list[str]:
    return [s for s in re.split(r"(?<=[.?])\s+|\n", text) if s]


def check_short(one: Told) -> None:
    names = [s.label for s in one.analysis.spectra.spectra] if one.analysis.spectra is not None else []
    for text in one.short:
        for sentence in sentences(text):
            bare = sentence
            for label in names:  # the name of a spectrum is one word, whatever numbers it holds
                bare = bare.replace(label, "X").replace(label[:1].upper() + label[1:], "X")
            assert len(sentence.split()) <= 30, sentence
            assert len(NUMBER.findall(bare)) <= 3, sentence


@every
def test_sentences_are_short_with_few_numbers(told: Any, name: str) -> None:
    check_short(told(name))


@pytest.mark.parametrize("name", DEMOS)
def test_sentences_about_the_demos_are_short(demo: Any, name: str) -> None:
    check_short(demo(name))


@every
def test_what_is_unknown_is_left_to_the_checklist(told: Any, name: str) -> None:
    prose = told(name).prose
    for word in ("not recorded", "nan", "None", "inf ", "  ", " .", " ,", "(;", ": ;"):
        assert word not in prose, word


@every
def test_counts_agree_with_their_words(told: Any, name: str) -> None:
    prose = told(name).prose
    assert not re.search(r"(?<![\d.,] of )(?<![\d.])\b1 (sweeps|tips|sites|pairs|repeats|spectra|decisions)\b", prose)
    assert not re.search(r"\b1 (sweep|tip|site|pair|repeat) (that )?(were|are|have|carry|differ)\b", prose)
    assert "100 % at most" not in prose
    assert " 0 % at most" not in prose


@every
def test_both_directions_are_told_of_as_many_repeats_as_had_them(told: Any, name: str) -> None:
    one = told(name)
    said = one.summary.methods
    found = [tuple(map(int, pair)) for pair in re.findall(r"(\d+) of (\d+) repeats? had both directions", said)]
    kinds = [k for k in ("iv", "iz") if one.table(k) is not None]
    expected = [one.repeats(kind) for kind in kinds]
    assert found == [pair for pair in expected if pair[0]]
    with_both, all_of_tips = one.repeats("iz") if "iz" in kinds else (0, 0)
    assert ("No repeat of a tip has both directions" in said) == (with_both == 0 < all_of_tips)


@every
def test_nothing_is_said_of_what_was_not_measured_or_not_used(told: Any, name: str) -> None:
    one = told(name)
    used = one.analysis.judged[one.analysis.judged["used"].astype(bool)]
    kinds = set(used["kind"])
    said = one.summary.methods
    assert ("heights φ" in said) == ("iz" in kinds)
    assert ("were brought to" in said) == ("iv" in kinds)
    assert ("Conductance was normalised" in said) == ("iv" in kinds and name != "lock-in only")
    assert ("No spectrum could be averaged" in said) == (one.table("iv") is not None and "iv" not in kinds)
    assert ("No I(z) sweep was used" in said) == (one.table("iz") is not None and "iz" not in kinds)
    for kind, word in (("iv", "I(V)"), ("iz", "I(z)")):
        if one.table(kind) is not None:
            out = sum(n in one.left_out for n in one.table(kind)["sweep"])
            assert f"{word}: {len(one.table(kind))} taken, {out} left out" in said


@every
def test_set_points_are_as_many_as_were_taken(told: Any, name: str) -> None:
    one = told(name)
    if one.table("iv") is None:
        assert "Zeros:" not in one.summary.methods
        return
    taken = one.table("iv")["setpoint_current_A"].nunique()
    for number in re.findall(r"(\d+) set-points?\b", one.prose):
        assert int(number) == taken
    if taken >= 3:
        assert "record at three set-points or more" not in one.prose


@every
def test_replicates_are_told_as_used(told: Any, name: str) -> None:
    one = told(name)
    said, barrier = one.summary.methods, one.analysis.barrier
    rows = one.table("iz")
    rows = None if rows is None else rows[(rows["tip"] != "") & ~rows["sweep"].isin(one.left_out)]
    if rows is None or not len(rows):
        assert "replicates" not in said
        return
    sites = rows.groupby(["sample", "tip"])["site"].nunique()
    several = int((sites > 1).sum())
    assert (f"Sites are the replicates of {several} of {len(sites)} tip" in said) == (several > 0)
    assert ("one site only, hence no interval" in said) == (several < len(sites))
    assert barrier is not None
    without = barrier.tips.loc[~(barrier.tips["barrier_high_eV"] < float("inf")), "tip"]
    for tip in without:
        assert re.search(rf"{tip}\b[^.]* [\d.]+ eV \(no interval: ", " ".join(one.answers))


@every
def test_bands_come_from_what_scattered(told: Any, name: str) -> None:
    one = told(name)
    if one.analysis.spectra is None or not one.analysis.spectra.spectra:
        assert "Bands" not in one.summary.methods
        return
    sites = one.table("iv")["site"].nunique()
    unit = "sites" if sites >= 3 else "repeats"
    assert f"Bands (95 %) come from the scatter between {unit}." in one.summary.methods


@every
def test_what_a_person_did_is_counted(told: Any, name: str) -> None:
    one = told(name)
    said = one.summary.methods
    omitted, kept = (len(one.given.get(which, ())) for which in ("omit", "keep"))
    if omitted or kept:
        assert f"A person left out {omitted} sweeps and kept {kept}" in said
    else:
        assert "Nothing was decided by a person" in said
    assert ("What was decided by hand?" in {a.question for a in one.summary.answers}) == (omitted > 0)
    assert not (omitted and one.analysis.judged["used"].sum() == 0 and "settle" in one.prose)


@every
def test_choices_that_change_numbers_are_told(told: Any, name: str) -> None:
    one = told(name)
    said = one.summary.methods
    assert "factor of 1.2" in said  # limits of rejection
    assert "3 scaled MAD" in said
    assert "95 %" in said
    window = "heights from 0.05 nm to 0.3 nm chosen by a person" in said
    assert window == (name == "window in the plan")
    assert ("true = 1.02 × nominal" in said) == (name == "calibrated")
    barriers = "heights φ" in said
    named = barriers and name != "no tips"
    assert ("height scale was not calibrated" in said) == (named and name != "calibrated")
    assert bool(re.search(r"In the median the zero is [−\d.]+ ± [\d.]+ [fp]A", said)) == barriers
    assert ("Nothing tells the zero of 2 sweeps:" in said) == (name == "air, offset unknown")
    for number in re.findall(r"; ([−\d.]+) to [\d.]+ nm from the near end", said):
        assert 0 <= float(number) < 0.1


@every
def test_trends_are_spoken_of_only_where_a_clock_tells_the_order(told: Any, name: str) -> None:
    one = told(name)
    clock = name == "several days"
    assert ("The session in time" in one.captions) == clock
    assert ("first to the second half" in one.prose) <= clock
    if clock:
        assert "heron on gold a" in next(c for c in one.captions if "first to the second half" in c)


def test_tips_on_different_samples_are_not_called_one_tip(told: Any) -> None:
    assert "No two tips were measured on the same sample" in told("several days").prose
    assert "One tip only" in told("one set-point").prose


def test_a_contaminated_gap_is_a_possible_reason_and_said_as_such(told: Any) -> None:
    one = told("only I(z)")
    texts = [*one.short, *one.analysis.verdicts["reasons"], *(row["meaning"] for row in one.summary.flags)]
    said = [text for text in texts if "contaminated" in text]
    assert len(said) >= 3
    assert all("possible reason" in text for text in said)


@pytest.mark.parametrize("masked", ["settling", "hump", "contact"])
def test_masks_are_told_with_their_counts(demo: Any, masked: str) -> None:
    """In how many used sweeps of the demo in air samples were masked, counted from the fits."""
    one = demo("demo-air")
    number = sts.barrier.masks.REASONS.index(masked)
    fits = one.analysis.barrier.fits
    touched = sum(int((f.why_masked[f.table["used"].to_numpy(bool)] == number).any(axis=1).sum()) for f in fits)
    assert (f"{masked} in {touched}" in one.summary.methods) == (touched > 0)


# --- units ----------------------------------------------------------------------------------------------------------
# A number below 0.1 before a unit that has prefixes; not an uncertainty, which shares the unit of its value, and not a barrier or a
# height, which stay in eV and nm.
SMALL = re.compile(
    r"(?<![\d.±] )(?<![\d.])[−-]?0\.0\d*[1-9]\d*(?: to [−-]?[\d.]+)? ?(?:[munpfµ]?[VAKS]|[mµ]eV|m?s)\b(?!/)"
)


def seen(told: Told) -> str:
    """The words of the whole page, cells with the units of their heads."""
    page = re.sub(r"<(script|style|svg|pre).*?</\1>", "", render_page(told.summary, []), flags=re.DOTALL)
    cells = [
        f"{cell} {head.rpartition('(')[2].rstrip(')')}"
        for tables in page_tables(told.analysis).values() for table in tables for row in table["rows"]
        for (head, _), cell in zip(table["head"], row, strict=True)
        if "(" in head and not head.startswith("u ")
    ]  # fmt: skip
    return "\n".join([html.unescape(re.sub(r"<[^>]+>", "\n", page)), told.prose, *cells])


@pytest.mark.parametrize("name", ["cold", *DEMOS])
def test_no_number_is_told_in_a_unit_that_is_too_large_for_it(name: str, told: Any, demo: Any) -> None:
    words = seen((demo if name in DEMOS else told)(name))
    assert [m[0] for m in SMALL.finditer(words)] == []


def test_a_cold_session_is_told_in_millikelvin_millivolts_and_microelectronvolts(told: Any) -> None:
    words = seen(told("cold"))
    for said in ("temperature: 12 mK", "−6 to 6 mV", "bias 6 mV", "12.0 mK"):
        assert said in words, said
    assert re.search(r"resolution \d+ µeV", words)
    assert not re.search(r"resolution 0\.\d+ meV", words)
    with house_style():
        for picture in gallery(told("cold").summary):
            if picture.kind in ("didv", "normalised", "smoothing", "sweeps"):
                axes = new_figure(rows=picture.rows or (1.0,))
                picture.draw(axes)
                label = axes[-1].get_xlabel()
                assert re.search(r"\((mV|meV|µeV|nm)\)", label), (picture.name, label)
                if "Bias" in label:
                    assert max(map(abs, axes[-1].get_xlim())) >= 6
