"""The results folder: complete, the same again for the same input, and never over something else."""

from __future__ import annotations

import io
import json
import re
import zlib
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from figures import example
from numpy.testing import assert_allclose
from report.conftest import Outline

from sts.analysis import Analysis
from sts.plan import Plan
from sts.report import render_page, write_results
from sts.report.drawing import draw, figure_name
from sts.report.pictures import gallery
from sts.report.summary import Summary
from sts.report.write import contents, wide_tables
from sts.settings import parse_toml

# The columns other programs rely on, as promised in the documentation of the tables.
CONTRACT = {
    "barrier_sweeps.csv": "sweep sample tip site direction repeat barrier_eV barrier_se_eV "
    "barrier_low_eV barrier_high_eV decay_per_nm decades offset_pA noise_pA points from_nm to_nm reduced_chi2 barrier_log_eV flags used",  # noqa: E501 - the contract as one line
    "barrier_sites.csv": "sample tip site sweeps barrier_eV barrier_se_eV barrier_low_eV barrier_high_eV",
    "barrier_tips.csv": "sample tip sweeps sites barrier_eV barrier_se_eV barrier_low_eV barrier_high_eV "
    "between_site_sd_eV calibration_se_eV total_se_eV",
    "barrier_pairs.csv": "tip_a tip_b ratio ratio_low ratio_high difference_eV difference_low_eV difference_high_eV "
    "p_adjusted verdict",
    "spectra.csv": "bias_V current_A current_se_A didv_S didv_se_S didv_low_S didv_high_S normalised normalised_se "
    "normalised_low normalised_high trusted",
    "spectra_summary.csv": "sweeps_used sweeps_omitted temperature_K average smoothing thermal_meV modulation_meV "
    "smoothing_meV resolution_meV current_offset_pA bias_offset_mV displacement_fF gap_meV gap_se_meV gap_method flags",
}  # fmt: skip


@pytest.mark.parametrize("name", CONTRACT)
def test_tables_have_the_columns_that_are_promised(written: Path, name: str) -> None:
    columns = list(pd.read_csv(written / name).columns)
    assert set(CONTRACT[name].split()) <= set(columns)


def test_each_spectrum_has_a_wide_table_of_its_own(invented: Analysis, written: Path) -> None:
    assert invented.spectra is not None
    paths = sorted((written / "spectra").iterdir())
    assert [p.name for p in paths] == ["layered_semiconductor_100_pA.csv", "layered_semiconductor_300_pA.csv"]
    table = pd.read_csv(paths[0])
    assert list(table.columns[:5]) == ["bias_V", "didv_pS", "didv_low_pS", "didv_high_pS", "didv_se_pS"]
    assert_allclose(table["didv_pS"] * 1e-12, invented.spectra[0].didv, rtol=1e-9)
    comma = replace(invented, plan=Plan(report={"decimal": "comma"}))
    text = wide_tables(comma, "spectra")["spectra/layered_semiconductor_100_pA.csv"]
    again = pd.read_csv(io.StringIO(text), sep=";", decimal=",")
    assert_allclose(again["didv_pS"], table["didv_pS"], rtol=1e-9)
    assert wide_tables(invented, "barrier") == {}


def test_every_figure_comes_as_svg_and_csv(written: Path) -> None:
    names = {path.stem for path in (written / "figures").iterdir()}
    assert len(names) >= 15
    for name in names:
        assert {p.suffix for p in (written / "figures").glob(f"{name}.*")} == {".svg", ".csv"}


def test_files_hold_no_date_and_no_path(written: Path) -> None:
    for path in written.rglob("*"):
        if path.suffix in (".svg", ".pdf", ".html", ".json", ".csv", ".toml"):
            content = path.read_bytes()
            assert b"CreationDate" not in content
            assert str(written.parent).encode() not in content


def test_equal_input_gives_equal_bytes(invented: Analysis, written: Path, tmp_path: Path) -> None:
    again = example.analysis()
    write_results(again, tmp_path / "again", what="compare")
    for path in (tmp_path / "again").rglob("*"):
        if path.is_file() and path.name != "results.json":  # which lists the files of its part
            assert path.read_bytes() == (written / path.relative_to(tmp_path / "again")).read_bytes(), path.name
    pages = [
        render_page(Summary(a), [draw(picture, width="single") for picture in gallery(Summary(a))[1:3]])
        for a in (invented, again)
    ]
    assert pages[0] == pages[1]


@pytest.mark.usefixtures("unprinted")
def test_results_are_not_overwritten_unless_asked(invented: Analysis, tmp_path: Path) -> None:
    barrier = replace(invented, spectra=None, sets=invented.sets[2:])
    write_results(barrier, tmp_path, what="compare")
    (tmp_path / "barrier_tips.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(ValueError, match=r"is there already \(\d+ files in all\); nothing was written.*--force"):
        write_results(barrier, tmp_path, what="compare")
    assert (tmp_path / "barrier_tips.csv").read_text(encoding="utf-8") == "mine"
    write_results(barrier, tmp_path, what="compare", force=True)
    assert (tmp_path / "barrier_tips.csv").read_text(encoding="utf-8").startswith("sample,tip")


@pytest.mark.usefixtures("unprinted")
def test_overwriting_removes_figures_of_the_earlier_result_and_nothing_else(invented: Analysis, tmp_path: Path) -> None:
    small = replace(invented, spectra=None, sets=invented.sets[2:])
    write_results(small, tmp_path, what="compare")
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    (tmp_path.parent / "outside.csv").write_text("not ours", encoding="utf-8")
    listing = json.loads((tmp_path / "results.json").read_text(encoding="utf-8"))
    stale = tmp_path / "figures" / "old_figure.svg"
    stale.write_text("old", encoding="utf-8")
    listing["files"] += ["figures/old_figure.svg", "../outside.csv", "figures/../../outside.csv"]
    (tmp_path / "results.json").write_text(json.dumps(listing), encoding="utf-8")
    write_results(small, tmp_path, what="compare", force=True)
    assert not stale.exists()
    assert (tmp_path / "notes.txt").exists()
    assert (tmp_path.parent / "outside.csv").exists()


def test_an_unknown_part_or_a_file_for_a_folder_is_refused(invented: Analysis, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="must be one of report, spectra, barrier, compare"):
        write_results(invented, tmp_path, what="all")
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(ValueError, match="is a file; give the name of a folder"):
        write_results(invented, tmp_path / "file")


@pytest.mark.parametrize(
    "name", ["../../etc/passwd", "C:\\Windows\\x", "a/b", "..", "", "CON:", "tip\0name", "é/ü", "x" * 300, "-rf *"]
)
def test_names_from_metadata_cannot_leave_the_folder(name: str) -> None:
    safe = figure_name(name)
    assert re.fullmatch(r"[A-Za-z0-9_-]{1,60}", safe)


def test_a_hostile_tip_name_stays_text_everywhere(tmp_path: Path) -> None:
    hostile = "<script>alert(1)</script>/../=x"
    hostile += "<img src=http://elsewhere.example/a><style>@import 'file:///etc/passwd'</style><svg><image href='file:///b'/></svg>"
    analysis = example.analysis()
    assert analysis.barrier is not None
    frames = {
        name: getattr(analysis.barrier, name).replace("heron", hostile) for name in ("sweeps", "sites", "tips", "pairs")
    }
    fit = analysis.barrier.fits[0]
    barrier = replace(analysis.barrier, fits=(replace(fit, table=frames["sweeps"]),), **frames)
    analysis = replace(analysis, barrier=barrier, spectra=None, sets=analysis.sets[2:])
    pictures = [p for p in gallery(Summary(analysis)) if "script" in p.name or p.name == "barrier_by_tip"]
    drawn = [draw(picture, width="single", formats=("svg",)) for picture in pictures]
    files = contents(Summary(analysis), drawn)
    assert len([name for name in files if name.startswith("figures/")]) == 4
    for name in files:
        assert (tmp_path / name).resolve().is_relative_to(tmp_path.resolve())
        assert re.fullmatch(r"(figures/)?[\w.-]+", name)
    page = files["report.html"].decode()
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)" in page
    paper = render_page(Summary(analysis), drawn, paper=True)  # of which a PDF is made
    for text in (page, paper):
        attributes = [attrs for _, attrs, _ in Outline(text).elements]
        named = {attrs[key] for attrs in attributes for key in ("src", "href", "xlink:href", "data") if key in attrs}
        assert all(address.startswith(("data:", "#")) for address in named), named
        assert "<img src=http" not in text
        assert not re.search(r"<style>[^<]*(@import|file:)", text)


def test_plan_written_is_the_plan_used(invented: Analysis, written: Path) -> None:
    assert parse_toml(Plan, (written / "plan.toml").read_text(encoding="utf-8"), "plan.toml") == invented.plan


def test_json_has_every_number_of_the_tip_table(invented: Analysis, written: Path) -> None:
    results = json.loads((written / "results.json").read_text(encoding="utf-8"))
    assert invented.barrier is not None
    assert_allclose(
        [row["barrier_eV"] for row in results["barrier"]["tips"]], invented.barrier.tips["barrier_eV"], rtol=1e-9
    )
    assert results["barrier"]["tips"][0]["calibration_se_eV"] is None
    assert results["files"] == sorted(p.relative_to(written).as_posix() for p in written.rglob("*") if p.is_file())


@pytest.mark.usefixtures("unprinted")
def test_a_session_without_any_usable_sweep_still_gets_its_page(invented: Analysis, tmp_path: Path) -> None:
    assert invented.barrier is not None
    empty = pd.DataFrame()
    sweeps = invented.barrier.sweeps.assign(used=False, barrier_eV=np.nan)
    barrier = replace(
        invented.barrier, fits=(), sweeps=sweeps, sites=empty, tips=empty, pairs=empty, components=empty, budget=empty,
        advice=(), notes=("No I(z) sweep is left to compare.",),
    )  # fmt: skip
    judged = invented.judged.assign(used=False)
    files = write_results(
        replace(invented, barrier=barrier, spectra=None, sets=invented.sets[2:], judged=judged), tmp_path
    )
    assert (tmp_path / "report.html") in files
    assert (tmp_path / "barrier_tips.csv").read_text(encoding="utf-8").startswith("sample,tip,sweeps,sites,barrier_eV")
    assert "No I(z) sweep is left to compare." in (tmp_path / "report.html").read_text(encoding="utf-8")


@pytest.mark.usefixtures("unprinted")
def test_progress_counts_up_to_the_end(invented: Analysis, tmp_path: Path) -> None:
    seen: list[tuple[int, int]] = []
    write_results(
        replace(invented, spectra=None, sets=invented.sets[2:]),
        tmp_path,
        what="compare",
        progress=lambda d, t: seen.append((d, t)),
    )
    assert seen == [(done, 3) for done in range(1, 4)]  # two pictures drawn; then all written


def test_figures_come_in_the_formats_that_the_plan_names(invented: Analysis, tmp_path: Path) -> None:
    plan = parse_toml(Plan, '[report]\nfigure_formats = ["png", "pdf"]\n', "plan.toml")
    written = write_results(
        replace(invented, spectra=None, sets=invented.sets[2:], plan=plan), tmp_path, what="compare"
    )
    figures = [path for path in written if path.parent.name == "figures"]
    assert {path.suffix for path in figures} == {".png", ".pdf", ".csv"}
    starts = {".png": b"\x89PNG", ".pdf": b"%PDF-", ".csv": b"panel,"}
    assert all(path.read_bytes().startswith(starts[path.suffix]) for path in figures)


def test_pdf_without_its_extra_says_how_to_get_it(
    invented: Analysis, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "weasyprint", None)
    with pytest.raises(ValueError, match=r"sts\[pdf\]"):
        write_results(replace(invented, spectra=None, sets=invented.sets[2:], barrier=None), tmp_path, pdf=True)
    assert not list(tmp_path.iterdir())


def inflated(pdf: bytes) -> bytes:
    """The bytes of a PDF with those of its packed streams behind them."""
    parts = [pdf]
    for packed in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", pdf, re.DOTALL):
        with suppress(zlib.error):
            parts.append(zlib.decompress(packed))
    return b"".join(parts)


def test_the_page_becomes_a_pdf_where_the_extra_is_installed(invented: Analysis, tmp_path: Path) -> None:
    pytest.importorskip("weasyprint", reason="the extra 'pdf' is not installed")
    write_results(replace(invented, spectra=None, sets=invented.sets[2:]), tmp_path, pdf=True)
    made = (tmp_path / "report.pdf").read_bytes()
    assert made.startswith(b"%PDF-")
    assert len(made) > 50_000  # the figures are in it, as drawings
    for part in (b"/StructTreeRoot", b"/MarkInfo", b"/Outlines", b"pdfuaid", b"DisplayDocTitle"):  # ISO 14289-1
        assert part in inflated(made), part
    assert 1 <= len(re.findall(rb"/Type\s*/Page\b(?!s)", inflated(made))) <= 12


@pytest.mark.usefixtures("unprinted")
def test_a_session_whose_path_is_not_utf8_has_results_that_are(invented: Analysis, tmp_path: Path) -> None:
    """Byte 0xff of a path, as Python reads it (PEP 383): JSON gives the same path back."""
    path = "bad\udcff.h5"
    write_results(replace(invented, spectra=None, sets=invented.sets[2:], session=path), tmp_path, what="compare")
    for file in tmp_path.glob("*.[jct]*"):
        file.read_text(encoding="utf-8")
    assert json.loads((tmp_path / "results.json").read_text(encoding="utf-8"))["session"] == path
