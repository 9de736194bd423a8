"""The session as its user sees it: what goes in comes out, nothing is added twice, decisions are kept."""

from __future__ import annotations

import time
import weakref
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import h5py
import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal
from session.examples import file_of, sweep_set

from sts.loaders import LoadedFile
from sts.session import Session, SessionError, change, layout, writer
from sts.sweeps import NUMBER_COLUMNS, TEXT_COLUMNS, SweepSet, sweep_table

NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)


@pytest.fixture
def session(tmp_path: Path) -> Session:
    return Session.create(tmp_path / "bench.h5")


def test_what_goes_in_comes_out_to_the_last_bit(session: Session) -> None:
    parts = (
        sweep_set(["a", "b"], tip="heron", site="s1", setpoint_current_A=1e-10, made_by="etched µ", voltage_gain=5),
        sweep_set(["c"], kind="iz", points=9, seed=2, bias_V=-0.05, direction="retract"),
        sweep_set(["d"], seed=3, lockin_unit="S"),
        sweep_set(["e"], seed=4, lockin_unit=""),
    )
    session.add([file_of(1, *parts)])
    back = {name: (part, row) for part in session.sets() for row, name in enumerate(part.names)}
    for part in parts:
        for row, name in enumerate(part.names):
            found, at = back[name]
            assert found.kind == part.kind
            assert found.lockin_unit == part.lockin_unit
            assert_array_equal(found.axis, part.axis)
            assert_array_equal(found.current[at], part.current[row])
            assert (found.lockin is None) == (part.lockin is None)
            if part.lockin is not None and found.lockin is not None:
                assert_array_equal(found.lockin[at], part.lockin[row])
            for column in set(part.table) - {"source"}:
                assert_array_equal(found.table[column].iloc[at], part.table[column].iloc[row])
    assert set(session.sweeps()["source"]) == {"file1.csv"}


texts = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=12)
numbers = st.floats(allow_nan=True, allow_infinity=True, width=64)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    values=st.lists(st.lists(numbers, min_size=3, max_size=3), min_size=1, max_size=4),
    own_name=st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=8),
    own=texts,
    metadata=st.fixed_dictionaries({}, optional={c: texts for c in TEXT_COLUMNS if c not in ("sweep", "source")}),
    measured=st.fixed_dictionaries({}, optional=dict.fromkeys(NUMBER_COLUMNS, st.floats(allow_infinity=False))),
)
def test_any_numbers_and_any_words_survive(
    tmp_path: Path,
    values: list[list[float]],
    own_name: str,
    own: str,
    metadata: dict[str, str],
    measured: dict[str, float],
) -> None:
    """Also names of columns that HDF5 would take for paths, and NaN, infinities and minus zero."""
    path = tmp_path / "any.h5"
    path.unlink(missing_ok=True)
    columns = {**metadata, **measured}
    columns.setdefault(own_name, own)
    if own_name in ("sweep", "source") or own_name in NUMBER_COLUMNS:
        columns.pop(own_name)
    table = sweep_table([f"n{i}" for i in range(len(values))], **columns)
    given_set = SweepSet("iv", np.array([-1.0, 0.0, 2.0]), np.array(values), table)
    Session.create(path).add([file_of(1, given_set)])
    (found,) = Session.open(path).sets()
    assert found.current.tobytes() == given_set.current.tobytes()
    for column in set(given_set.table) - {"source"}:
        assert_array_equal(found.table[column].to_numpy(), given_set.table[column].to_numpy())


def test_the_same_file_twice_adds_nothing_and_says_so(session: Session) -> None:
    session.add([file_of(1)])
    before = session.path.read_bytes()
    result = session.add([file_of(1), file_of(1, name="copy.csv")])
    assert (result.added, result.repeated, result.sweeps) == ([], ["file1.csv", "copy.csv"], 0)
    assert any("'file1.csv'" in note for note in result.notes)
    assert session.path.read_bytes() == before


def test_the_same_bytes_read_with_another_recipe_are_other_sweeps_and_this_is_said(session: Session) -> None:
    session.add([file_of(1)])
    result = session.add([file_of(1, recipe="bias_sign = -1")])
    assert result.sweeps == 2
    assert any("another recipe" in note for note in result.notes)
    assert list(session.sweeps()["sweep"]) == ["f1_a", "f1_b", "f1_a-2", "f1_b-2"]


def test_names_become_unique_and_raw_numbers_stay(session: Session) -> None:
    first, second = sweep_set(["x"], seed=1), sweep_set(["x"], seed=2)
    result = session.add([file_of(1, first, name="run.csv"), file_of(2, second, name="run.csv")])
    (part,) = session.sets()
    assert part.names == ["x", "x-2"]
    assert_array_equal(part.current, np.concatenate([first.current, second.current]))
    assert list(session.sources()["name"]) == ["run.csv", "run-2.csv"]
    assert list(part.table["source"]) == ["run.csv", "run-2.csv"]
    assert len([note for note in result.notes if "'x-2'" in note or "'run-2.csv'" in note]) == 2


def test_sweeps_on_the_same_axis_are_stacked_and_others_are_not(session: Session) -> None:
    session.add([file_of(i, sweep_set([f"a{i}"], seed=i)) for i in range(3)])
    session.add([file_of(7, sweep_set(["a7"], seed=7)), file_of(8, sweep_set(["b"], points=17))])
    shifted = sweep_set(["c"])
    session.add([file_of(9, SweepSet("iv", shifted.axis + 1e-15, shifted.current, shifted.table))])
    assert [(part.axis.size, len(part)) for part in session.sets()] == [(16, 4), (17, 1), (16, 1)]


def test_a_column_that_is_text_here_and_number_there_keeps_both_kinds(session: Session) -> None:
    session.add([file_of(1, sweep_set(["a"], gain="high")), file_of(2, sweep_set(["b"], gain=1e9))])
    first, second = session.sets()
    assert first.table["gain"].iloc[0] == "high"
    assert second.table["gain"].iloc[0] == 1e9
    assert list(session.sweeps()["gain"]) == ["high", 1e9]


def test_a_column_only_some_sweeps_have_is_unknown_for_the_others(session: Session) -> None:
    session.add([file_of(1, sweep_set(["a"], made_by="etched")), file_of(2, sweep_set(["b"], pressure_Pa=1e-8))])
    session.add([file_of(3, sweep_set(["c"]))])
    (part,) = session.sets()
    assert list(part.table["made_by"]) == ["etched", "", ""]
    assert_array_equal(part.table["pressure_Pa"], [np.nan, 1e-8, np.nan])


def test_very_long_texts_do_not_cost_their_length_for_every_sweep(session: Session) -> None:
    comments = ["short"] * 499 + ["x" * 100_000]
    session.add([file_of(1, sweep_set([f"s{i}" for i in range(500)], comment=comments))])
    assert session.sweeps()["comment"].iloc[-1] == comments[-1]
    assert session.path.stat().st_size < 2_000_000


def test_listing_has_one_row_a_sweep_in_order_of_import(session: Session) -> None:
    assert session.sweeps().empty
    assert "tip" in session.sweeps()
    session.add([file_of(1), file_of(2, sweep_set(["z"], kind="iz", tip="plover"))])
    table = session.sweeps()
    assert list(table.columns[:5]) == ["sweep", "kind", "set", "points", "sample"]
    assert list(table["set"]) == ["iv_001", "iv_001", "iz_001"]
    assert list(session.sweeps("iz")["sweep"]) == ["z"]
    with pytest.raises(SessionError, match="'xy' is no kind"):
        session.sweeps("xy")


def test_sets_are_narrowed_by_tip_site_sample_and_name(session: Session) -> None:
    session.add([file_of(1), file_of(2), file_of(3, sweep_set(["p"], tip="plover", site="s1"))])
    assert [p.names for p in session.sets(tip="heron", site="s2")] == [["f2_a", "f2_b"]]
    assert [p.names for p in session.sets(sweeps=["f1_b", "p"])] == [["f1_b", "p"]]
    with pytest.raises(SessionError, match="no such tip 'x'; this session has heron, plover"):
        session.sets(tip="x")
    with pytest.raises(SessionError, match="no such sweep 'f1_c'; near to it: f1_"):
        session.sets(sweeps=["f1_c"])
    with pytest.raises(SessionError, match="no sweep has tip 'plover' and site 's2' together"):
        session.sets(tip="plover", site="s2")


@pytest.mark.parametrize("rows", [[0], [3, 4, 2999], list(range(0, 3000, 7)), list(range(3000))])
def test_rows_picked_from_a_large_set_are_the_right_ones(
    session: Session, rows: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(layout, "BLOCK_BYTES", 100 * 16 * 8)
    part = sweep_set([f"s{i}" for i in range(3000)])
    session.add([file_of(1, part)])
    (found,) = session.sets(sweeps=[f"s{i}" for i in rows])
    assert_array_equal(found.current, part.current[rows])


@pytest.mark.parametrize("sizes", [[1, 1, 1], [40, 3, 200], [130, 130, 130]])
def test_sets_that_grow_bit_by_bit_hold_what_came_in(
    session: Session, sizes: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With small limits, so that every way of growing is taken: written anew, extended, in blocks."""
    monkeypatch.setattr(layout, "BLOCK_BYTES", 8 * 16 * 64)
    monkeypatch.setattr(writer, "CHUNK_BYTES", 8 * 16 * 32)
    monkeypatch.setattr(writer, "SMALL_SET", 8 * 16 * 50)
    parts = [sweep_set([f"{k}_{i}" for i in range(size)], seed=k) for k, size in enumerate(sizes)]
    for number, part in enumerate(parts):
        session.add([file_of(number, part)])
    (found,) = session.sets()
    assert_array_equal(found.current, np.concatenate([part.current for part in parts]))
    assert found.names == [name for part in parts for name in part.names]


def test_growing_one_file_at_a_time_does_not_bloat_the_session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rewritten parts leave holes in an HDF5 file; they must be used again."""
    monkeypatch.setattr(change, "MOST_HOLES", 1 << 14)
    files = [file_of(i) for i in range(25)]
    together, one_by_one = Session.create(tmp_path / "a.h5"), Session.create(tmp_path / "b.h5")
    together.add(files)
    for file in files:
        one_by_one.add([file])
    assert one_by_one.path.stat().st_size < 2 * together.path.stat().st_size
    assert one_by_one.sweeps().equals(together.sweeps())
    for ours, theirs in zip(one_by_one.sets(), together.sets(), strict=True):
        assert_array_equal(ours.current, theirs.current)
    assert one_by_one.original("file13.csv") == files[13].content


@pytest.mark.parametrize("size", [0, 1, 1000, (1 << 20) - 1, 1 << 20, (1 << 20) + 1, 3_500_000])
@pytest.mark.parametrize("kind", ["text", "noise"])
def test_originals_come_back_byte_for_byte(session: Session, size: int, kind: str) -> None:
    noise = np.random.default_rng(size).bytes(size)
    content = noise if kind == "noise" else (b"0,1;2,3\n" * (size // 8 + 1))[:size]
    session.add([file_of(1), replace(file_of(2), content=content), file_of(3)])
    session.add([file_of(4)])
    assert session.original("file2.csv") == content
    for number in (1, 3, 4):
        assert session.original(f"file{number}.csv") == file_of(number).content
    if kind == "text" and size > 1_000_000:
        assert session.path.stat().st_size < size / 3
    with pytest.raises(SessionError, match=r"no file 'file9.csv' was imported; near to it: file4.csv"):
        session.original("file9.csv")


def test_sources_tell_hash_size_reader_time_and_sweeps(session: Session) -> None:
    """The hash of the three bytes "abc" is the first example of FIPS 180-2, appendix B.1."""
    session.add([replace(file_of(1, notes=("last line cut off",)), content=b"abc")], now=NOON)
    row = session.sources().iloc[0]
    assert row["sha256"] == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert (row["size"], row["sweeps"], row["reader"], row["imported"]) == (3, 2, "text", "2026-03-01T12:00:00+00:00")
    assert session.sets()[0].notes == ("last line cut off",)


def test_decisions_are_a_log_and_the_last_not_taken_back_stands(session: Session) -> None:
    session.add([file_of(1)])
    session.mark(["f1_a", "f1_b"], "omit", "tip touched", now=NOON)
    session.mark(["f1_a"], "keep", "looked again")
    session.mark(["f1_b"], "undo")
    assert session.current_decisions() == {"f1_a": ("keep", "looked again")}
    session.mark(["f1_a"], "undo", "no, it did touch")
    assert session.current_decisions() == {"f1_a": ("omit", "tip touched")}
    assert list(session.decisions()["action"]) == ["omit", "omit", "keep", "undo", "undo"]
    assert session.decisions()["time"].iloc[0] == "2026-03-01T12:00:00+00:00"


@pytest.mark.parametrize(
    ("sweeps", "action", "why", "said"),
    [
        (["f1_a"], "drop", "x", "'drop' is not a decision; use keep, omit, undo"),
        (["f1_a"], "omit", "  ", "needs a reason"),
        (["f1_a", "f1_z"], "omit", "x", "no such sweep 'f1_z'; near to it: f1_"),
        (["f1_b"], "undo", "", "no decision on 'f1_b'"),
        ([], "omit", "x", "at least one sweep"),
    ],
)
def test_a_decision_that_cannot_be_taken_changes_nothing(
    session: Session, sweeps: list[str], action: str, why: str, said: str
) -> None:
    session.add([file_of(1)])
    before = session.path.read_bytes()
    with pytest.raises(SessionError, match=said):
        session.mark(sweeps, action, why)
    assert session.path.read_bytes() == before


def test_calibrations_are_kept_in_order(session: Session) -> None:
    scale = {"measured": 0.32e-9, "known": 0.3354e-9, "source": "graphite step"}
    session.add_calibration("height", factor=0.3354 / 0.32, factor_se=0.01, **scale, now=NOON)
    session.add_calibration("current", factor=1.0, factor_se=0.002, measured=1.0, known=1.0, source="resistor")
    assert list(session.calibrations()["kind"]) == ["height", "current"]
    assert session.calibrations()["factor"].iloc[0] == 0.3354 / 0.32
    for wrong, said in (
        ({"factor": -1.0, "factor_se": 0.1}, "must be positive"),
        ({"factor": 1.0, "factor_se": float("nan")}, "must be positive"),
        ({"factor": 0.32 / 0.3354, "factor_se": 0.1}, "upside down"),
    ):
        with pytest.raises(SessionError, match=said):
            session.add_calibration("height", **wrong, **scale)
    with pytest.raises(SessionError, match="'bias' cannot be calibrated"):
        session.add_calibration("bias", factor=1.0, factor_se=0.1, **scale)
    assert len(session.calibrations()) == 2


def test_a_file_that_fails_leaves_the_session_as_it_was(session: Session) -> None:
    session.add([file_of(1)])
    before = session.path.read_bytes()

    def files() -> Iterator[LoadedFile]:
        yield file_of(2)
        raise ZeroDivisionError("the reader broke")

    with pytest.raises(ZeroDivisionError):
        session.add(files())
    assert session.path.read_bytes() == before
    assert [p.name for p in session.path.parent.iterdir() if p.name.endswith(".part")] == []


def test_files_are_stored_one_by_one_not_collected(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    """Memory is bounded by blocks: what one file held is let go before the third is asked for."""
    monkeypatch.setattr(layout, "BLOCK_BYTES", 8 * 16)
    alive: list[weakref.ref[SweepSet]] = []

    def files() -> Iterator[LoadedFile]:
        for number in range(6):
            part = sweep_set([f"s{number}"], seed=number)
            alive.append(weakref.ref(part))
            yield file_of(number, part)
            del part
            assert sum(ref() is not None for ref in alive) <= 2

    assert session.add(files()).sweeps == 6


def test_an_older_format_is_upgraded_and_a_newer_one_refused(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    session.add([file_of(1)])

    def to_two(file: h5py.File) -> None:
        file["entry"].attrs["title"] = "upgraded"

    monkeypatch.setattr(layout, "FORMAT", 2)
    with pytest.raises(SessionError, match="format 1, which is not known"):
        Session.open(session.path)
    monkeypatch.setattr(layout, "UPGRADES", {1: to_two})
    assert len(Session.open(session.path).sweeps()) == 2
    with h5py.File(session.path) as file:
        assert (file.attrs["sts_format"], file["entry"].attrs["title"]) == (2, "upgraded")
    monkeypatch.undo()
    with pytest.raises(SessionError, match=r"newer sts .session format 2; this one reads up to 1.. Update"):
        Session.open(session.path)
    with pytest.raises(SessionError, match="newer sts"):
        session.add([file_of(2)])


def test_what_is_no_session_is_refused_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "text.h5").write_text("V,I\n")
    (tmp_path / "empty.h5").touch()
    h5py.File(tmp_path / "other.h5", "w").close()
    whole = Session.create(tmp_path / "whole.h5")
    whole.add([file_of(1)])
    (tmp_path / "cut.h5").write_bytes(whole.path.read_bytes()[:-700])
    for name, said in {
        "none.h5": "there is no such session",
        "text.h5": "is not a session",
        "empty.h5": "is empty",
        "other.h5": "is an HDF5 file but not a session",
        "cut.h5": "is damaged .cut short: .* 'sts rescue cut.h5",
    }.items():
        with pytest.raises(SessionError, match=said) as caught:
            Session.open(tmp_path / name)
        assert "\n" not in str(caught.value)
    with pytest.raises(SessionError, match="exists already"):
        Session.create(whole.path)
    with pytest.raises(SessionError, match=r"folder .* does not exist"):
        Session.create(tmp_path / "no" / "s.h5")


def test_a_tiny_session_that_claims_ten_gigabytes_is_refused_before_memory_is_taken(session: Session) -> None:
    session.add([file_of(1)])
    with h5py.File(session.path, "r+") as file:
        group = file["entry/iv_001"]
        del group["current"]
        group.create_dataset("current", (2, 16 * 40_000_000), chunks=(1, 1 << 20), dtype=float)
    with pytest.raises(SessionError, match="claims 10240000000 bytes"):
        session.sets()


def test_links_and_virtual_datasets_out_of_the_file_are_refused(session: Session, tmp_path: Path) -> None:
    other = Session.create(tmp_path / "other.h5")
    other.add([file_of(1)])
    session.add([file_of(2)])
    with h5py.File(session.path, "r+") as file:
        file["entry/iv_002"] = h5py.ExternalLink("other.h5", "/entry/iv_001")
    with pytest.raises(SessionError, match="'iv_002' points out of the file"):
        session.sets()
    with h5py.File(session.path, "r+") as file:
        del file["entry/iv_002"], file["entry/iv_001/current"]
        virtual = h5py.VirtualLayout((2, 16), float)
        virtual[...] = h5py.VirtualSource("other.h5", "/entry/iv_001/current", (2, 16))
        file["entry/iv_001"].create_virtual_dataset("current", virtual)
    with pytest.raises(SessionError, match="points out of the file"):
        session.sets()


def test_a_flipped_bit_in_a_measured_number_is_found(session: Session) -> None:
    """Sweeps carry a checksum, so that a damaged number is never taken for a measured one."""
    part = sweep_set(["a", "b"])
    session.add([file_of(1, part)])
    content = bytearray(session.path.read_bytes())
    at = content.index(part.current[1, 5].tobytes())
    content[at] ^= 1
    session.path.write_bytes(content)
    with pytest.raises(SessionError, match=r"is damaged .* 'sts rescue bench.h5"):
        session.sets()
    assert len(session.sweeps()) == 2


def test_a_flipped_bit_in_an_original_is_found(session: Session) -> None:
    noise = np.random.default_rng(0).bytes(2_000_000)
    session.add([replace(file_of(1), content=noise)])
    content = bytearray(session.path.read_bytes())
    content[content.index(noise[:50])] ^= 1
    session.path.write_bytes(content)
    with pytest.raises(SessionError, match=r"stored copy of 'file1.csv' is damaged"):
        session.original("file1.csv")
    assert len(session.sets()) == 1


def test_many_sweeps_are_listed_in_well_under_a_second(session: Session) -> None:
    names = [f"grid_{i:06d}" for i in range(20_000)]
    session.add([file_of(1, sweep_set(names, points=2, tip="heron", site=[f"s{i // 100}" for i in range(20_000)]))])
    start = time.perf_counter()
    table = session.sweeps()
    assert time.perf_counter() - start < 1
    assert isinstance(table, pd.DataFrame)
    assert list(table["sweep"]) == names
