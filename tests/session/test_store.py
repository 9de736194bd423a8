"""The session as its user sees it: what goes in comes out, nothing is added twice, decisions are kept."""

from __future__ import annotations

import time
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

from sts.comparing.calibration import Calibration
from sts.session import Session, SessionError, layout
from sts.sweeps import NUMBER_COLUMNS, TEXT_COLUMNS, SweepSet, sweep_table

NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)


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


def test_sources_tell_hash_size_reader_time_and_sweeps(session: Session) -> None:
    """The hash of the three bytes "abc" is the first example of FIPS 180-2, appendix B.1."""
    session.add([replace(file_of(1, notes=("last line cut off",)), content=b"abc")], now=NOON)
    row = session.sources().iloc[0]
    assert row["sha256"] == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert (row["size"], row["sweeps"], row["reader"], row["imported"]) == (3, 2, "text", "2026-03-01T12:00:00+00:00")
    assert session.sets()[0].notes == ("last line cut off",)


def test_calibrations_are_kept_in_order(session: Session) -> None:
    scale = Calibration(0.3354 / 0.32, 0.01, "graphite step", measured=0.32, known=0.3354, dof=3, temperature_K=295.0)
    session.add_calibration("height", scale, now=NOON)
    session.add_calibration("current", Calibration(1.0, 0.002, "resistor", measured=1.0, known=1.0))
    assert list(session.calibrations()["kind"]) == ["height", "current"]
    assert session.calibrations()["factor"].iloc[0] == 0.3354 / 0.32
    for wrong, said in (
        ({"factor": -1.0, "factor_se": 0.1}, "must be positive"),
        ({"factor": 1.0, "factor_se": float("nan")}, "must be positive"),
        ({"factor": 0.32 / 0.3354, "factor_se": 0.1}, "upside down"),
    ):
        with pytest.raises(SessionError, match=said):
            session.add_calibration("height", replace(scale, **wrong))
    with pytest.raises(SessionError, match="'bias' cannot be calibrated"):
        session.add_calibration("bias", scale)
    assert session.calibrations()[["dof", "temperature_K"]].iloc[0].tolist() == [3, 295]
    assert session.calibrations()[["dof", "temperature_K"]].iloc[1].isna().all()  # not known
    assert session.calibrations()["measured"].iloc[0] == pytest.approx(0.32e-9)  # kept in metres
    assert len(session.calibrations()) == 2


def test_an_older_format_is_upgraded_and_a_newer_one_refused(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    session.add([file_of(1)])

    def to_four(file: h5py.File) -> None:
        file["entry"].attrs["title"] = "upgraded"

    monkeypatch.setattr(layout, "FORMAT", 5)
    monkeypatch.setattr(layout, "NEWEST", 5)
    with pytest.raises(SessionError, match="format 3, which is not known"):
        Session.open(session.path)
    monkeypatch.setattr(layout, "UPGRADES", {3: to_four, 4: lambda file: None})
    assert len(Session.open(session.path).sweeps()) == 2
    with h5py.File(session.path) as file:
        assert (file.attrs["sts_format"], file["entry"].attrs["title"]) == (5, "upgraded")
    monkeypatch.undo()
    with pytest.raises(SessionError, match=r"newer sts .session format 5; this one reads up to 3.. Update"):
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


def test_many_sweeps_are_listed_in_well_under_a_second(session: Session) -> None:
    names = [f"grid_{i:06d}" for i in range(20_000)]
    session.add([file_of(1, sweep_set(names, points=2, tip="heron", site=[f"s{i // 100}" for i in range(20_000)]))])
    start = time.process_time()  # of this process: other work on the machine does not count
    table = session.sweeps()
    assert time.process_time() - start < 1
    assert isinstance(table, pd.DataFrame)
    assert list(table["sweep"]) == names
