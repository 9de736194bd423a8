"""Arrays and tables in the file: columns of text and numbers, checksums, nothing outside the file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
from numpy.testing import assert_array_equal
from session.examples import before_seals, file_of, sweep_set

from sts.session import Session, SessionError


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


def test_a_tiny_session_that_claims_ten_gigabytes_is_refused_before_memory_is_taken(session: Session) -> None:
    session.add([file_of(1)])
    with before_seals(session.path) as file:
        group = file["entry/iv_001"]
        del group["current"]
        group.create_dataset("current", (2, 16 * 40_000_000), chunks=(1, 1 << 20), dtype=float)
    with pytest.raises(SessionError, match="claims 10240000000 bytes"):
        session.sets()


def test_links_and_virtual_datasets_out_of_the_file_are_refused(session: Session, tmp_path: Path) -> None:
    other = Session.create(tmp_path / "other.h5")
    other.add([file_of(1)])
    session.add([file_of(2)])
    with before_seals(session.path) as file:
        file["entry/iv_002"] = h5py.ExternalLink("other.h5", "/entry/iv_001")
    with pytest.raises(SessionError, match="'iv_002' points to something elsewhere"):
        session.sets()
    for link in (h5py.ExternalLink("other.h5", "/entry/iv_001/site"), h5py.SoftLink("/entry/iv_001/tip")):
        with h5py.File(session.path, "r+") as file:
            file["entry"].pop("iv_002", None)
            del file["entry/iv_001/site"]
            file["entry/iv_001/site"] = link
        with pytest.raises(SessionError, match="'site' points to something elsewhere"):
            session.sweeps()
    with h5py.File(session.path, "r+") as file:
        del file["entry/iv_001/site"], file["entry/iv_001/current"]
        file["entry/iv_001/site"] = file["entry/iv_001/tip"]
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
