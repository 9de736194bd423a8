"""A damaged session: what is whole is saved, what is lost is said, and nothing damaged is taken for whole."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
from numpy.testing import assert_array_equal

from sts.comparing.calibration import Calibration
from sts.importing import annotate_session
from sts.loaders import read_file
from sts.session import Session, SessionError, rescue


@pytest.fixture
def session(tmp_path: Path) -> Session:
    """Sweeps read from real text files, so that they can be read again from their originals."""
    session = Session.create(tmp_path / "bench.h5")
    files = []
    for number in range(4):
        values = np.random.default_rng(number).normal(scale=1e-10, size=(64, 3))
        bias = np.linspace(-0.5, 0.5, 64)
        lines = ["# tip: heron", "V (V),I (A) 1,I (A) 2,I (A) 3"]
        lines += [",".join(f"{x:.12g}" for x in (v, *row)) for v, row in zip(bias, values, strict=True)]
        (tmp_path / f"run{number}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        files.append(read_file(tmp_path / f"run{number}.csv"))
    assert sum(len(part) for part in files[0].sets) == 3
    session.add(files)
    session.mark([session.sweeps()["sweep"].iloc[0]], "omit", "tip touched")
    session.add_calibration("height", Calibration(1.02, 0.01, "step", measured=1.0, known=1.02))
    return session


def by_name(session: Session) -> dict[str, np.ndarray]:
    return {name: row for part in session.sets() for name, row in zip(part.names, part.current, strict=True)}


def damage(session: Session, change: Callable[[bytearray], bytes | bytearray]) -> Path:
    path = session.path.with_name("damaged.h5")
    path.write_bytes(change(bytearray(session.path.read_bytes())))
    return path


def message_of(use: Callable[[], object]) -> str:
    """What is said when this cannot be done; "" if it can."""
    try:
        use()
    except SessionError as error:
        return str(error)
    return ""


def rescued(path: Path, new: Path) -> list[str]:
    """What a rescue says; nothing if it says that nothing could be saved."""
    said: list[str] = []
    refusal = message_of(lambda: said.extend(rescue(path, new)))
    assert not refusal or "nothing could be saved" in refusal
    return said


def where(session: Session, name: str) -> int:
    """Where the bytes of a dataset's first chunk lie."""
    with h5py.File(session.path) as file:
        data = file["entry"][name]
        return int(data.id.get_chunk_info(0).byte_offset if data.chunks else data.id.get_offset())


def test_a_whole_session_is_saved_whole(session: Session, tmp_path: Path) -> None:
    said = rescue(session.path, tmp_path / "new.h5")
    new = Session.open(tmp_path / "new.h5")
    assert not any("Lost" in line for line in said)
    assert new.sweeps().equals(session.sweeps())
    assert new.sources().equals(session.sources())
    assert new.decisions().equals(session.decisions())
    assert new.calibrations().equals(session.calibrations())
    assert new.original("run2.csv") == session.original("run2.csv")


def test_damaged_numbers_are_read_again_from_the_original(session: Session, tmp_path: Path) -> None:
    at = where(session, "iv_001/current") + 100

    def flip(content: bytearray) -> bytearray:
        content[at] ^= 0x40
        return content

    said = rescue(damage(session, flip), tmp_path / "new.h5")
    assert any("iv_001: 12 sweeps are damaged" in line for line in said)
    assert any("3 more sweeps, read again from the original run3.csv" in line for line in said)
    found, wanted = by_name(Session(tmp_path / "new.h5")), by_name(session)
    assert found.keys() == wanted.keys()
    for name, row in wanted.items():
        assert_array_equal(found[name], row)
    assert set(Session(tmp_path / "new.h5").sweeps()["tip"]) == {"heron"}


def test_a_damaged_original_is_named_and_its_sweeps_are_saved(session: Session, tmp_path: Path) -> None:
    at = where(session, "sources/content") + 50

    def flip(content: bytearray) -> bytearray:
        content[at : at + 4] = b"\0\0\0\0"
        return content

    said = rescue(damage(session, flip), tmp_path / "new.h5")
    new = Session(tmp_path / "new.h5")
    assert any("Lost: the original of run0.csv" in line for line in said)
    assert by_name(new).keys() == by_name(session).keys()
    with pytest.raises(SessionError, match="damaged or lost"):
        new.original("run0.csv")


@pytest.mark.parametrize("size", [8, 96, 512])
def test_an_overwritten_start_is_replaced(session: Session, tmp_path: Path, size: int) -> None:
    path = damage(session, lambda content: bytes(size) + content[size:])
    with pytest.raises(SessionError, match=r"if it was one .* 'sts rescue damaged.h5"):
        Session.open(path)
    said = rescue(path, tmp_path / "new.h5")
    assert any("The start of the file was damaged" in line for line in said)
    assert by_name(Session(tmp_path / "new.h5")).keys() == by_name(session).keys()


@pytest.mark.parametrize("share", [0.999, 0.9, 0.7, 0.5])
def test_a_file_cut_short_gives_what_is_there_and_nothing_false(session: Session, tmp_path: Path, share: float) -> None:
    path = damage(session, lambda content: content[: int(share * len(content))])
    with pytest.raises(SessionError, match="cut short"):
        Session.open(path)
    wanted = by_name(session)
    said = rescued(path, tmp_path / "new.h5")
    if not said:
        assert not (tmp_path / "new.h5").exists()
        return
    assert any("too early" in line for line in said)
    for name, row in by_name(Session(tmp_path / "new.h5")).items():
        assert_array_equal(row, wanted[name])


@pytest.mark.parametrize("seed", range(10))
def test_a_sector_of_rubbish_anywhere_gives_no_false_number_and_no_traceback(
    session: Session, tmp_path: Path, seed: int
) -> None:
    """512 bytes, as a disk loses them, at a random place."""
    rng = np.random.default_rng(seed)

    def spoil(content: bytearray) -> bytearray:
        at = int(rng.integers(0, len(content) - 512))
        content[at : at + 512] = rng.bytes(512)
        return content

    path = damage(session, spoil)
    wanted = {row.tobytes() for row in by_name(session).values()}
    for use in (Session(path).sweeps, Session(path).sets, Session(path).decisions):
        assert "\n" not in message_of(use)
    if not rescued(path, tmp_path / "new.h5"):
        return
    new = Session.open(tmp_path / "new.h5")
    assert {row.tobytes() for row in by_name(new).values()} <= wanted
    assert set(new.sweeps()["tip"]) <= {"heron"}


def test_nothing_is_overwritten_and_rubbish_gives_one_line(session: Session, tmp_path: Path) -> None:
    with pytest.raises(SessionError, match="exists already"):
        rescue(session.path, session.path)
    with pytest.raises(SessionError, match="no such file to rescue"):
        rescue(tmp_path / "no.h5", tmp_path / "new.h5")
    (tmp_path / "rubbish.h5").write_bytes(b"rubbish" * 1000)
    with pytest.raises(SessionError, match="nothing could be saved"):
        rescue(tmp_path / "rubbish.h5", tmp_path / "new.h5")
    assert not (tmp_path / "new.h5").exists()
    assert not [p for p in tmp_path.iterdir() if p.name.endswith(".part")]


def spoiled(session: Session, change: Callable[[h5py.File], None]) -> Path:
    """A copy of the session with something in it overwritten, its checksums as they were."""
    path = session.path.with_name("damaged.h5")
    path.write_bytes(session.path.read_bytes())
    with h5py.File(path, "r+") as file:
        change(file)
    return path


def zero(place: str) -> Callable[[h5py.File], None]:
    def change(file: h5py.File) -> None:
        file[place][...] = np.zeros((), file[place].dtype)

    return change


@pytest.fixture
def labelled(session: Session) -> Session:
    """The session with what a logbook said and a site that stands in no file."""
    logbook = session.path.with_name("log.csv")
    logbook.write_text("file;site;comment\nrun0.csv;terrace;calm\nrun1.csv;step;" + "x" * 700 + "\n", encoding="utf-8")
    annotate_session(session.path, logbook)
    return session


def test_where_only_numbers_are_damaged_tables_logbook_and_decisions_stay(labelled: Session, tmp_path: Path) -> None:
    said = rescue(spoiled(labelled, zero("entry/iv_001/bias")), tmp_path / "new.h5")
    new = Session(tmp_path / "new.h5")
    assert not [line for line in said if line.startswith("Lost")]
    before, after = (s.sweeps().set_index("sweep").sort_index() for s in (labelled, new))
    assert after[["site", "comment", "tip", "source"]].equals(before[["site", "comment", "tip", "source"]])
    assert new.current_decisions() == labelled.current_decisions()
    found, wanted = by_name(new), by_name(labelled)
    assert all(np.array_equal(found[name], wanted[name]) for name in wanted)


def test_lost_cells_are_named_and_counted_and_the_others_stay(labelled: Session, tmp_path: Path) -> None:
    def change(file: h5py.File) -> None:
        for place in ("entry/iv_001/site", "entry/iv_001/tip", "entry/decisions/why"):
            zero(place)(file)

    said = rescue(spoiled(labelled, change), tmp_path / "new.h5")
    assert [line for line in said if line.startswith("Lost")] == [
        "Lost: the column 'tip' of the 12 sweeps of iv_001; what the original files say is there instead.",
        "Lost: the column 'site' of the 12 sweeps of iv_001; what the original files say is there instead.",
        "Lost: the column 'why' of the 1 decisions.",
    ]
    new = Session(tmp_path / "new.h5")
    assert set(new.sweeps()["tip"]) == {"heron"}
    assert set(new.sweeps()["site"]) == {""}
    assert new.sweeps()["comment"].tolist() == labelled.sweeps()["comment"].tolist()
    assert new.current_decisions() == {labelled.sweeps()["sweep"].iloc[0]: ("omit", "")}


def test_sweeps_that_are_lost_for_good_are_named(labelled: Session, tmp_path: Path) -> None:
    def change(file: h5py.File) -> None:
        zero("entry/iv_001/bias")(file)
        zero("entry/sources/content")(file)

    lost = [line for line in rescue(spoiled(labelled, change), tmp_path / "new.h5") if line.startswith("Lost")]
    names = labelled.sweeps()["sweep"].tolist()
    assert lost == [
        *(f"Lost: the original of run{i}.csv." for i in range(4)),
        *(f"Lost: the numbers of {', '.join(names[3 * i : 3 * i + 3])}." for i in range(4)),
        "Lost: all sweeps; only what stands beside them was saved. 'sts export NEW.h5 originals' writes the files imported.",
    ]
    assert len(Session(tmp_path / "new.h5").decisions()) == 1


@pytest.mark.parametrize("name", ["..", ".", "a" * 300 + ".csv", "con/../x.csv"])
def test_a_file_of_any_name_is_read_again(session: Session, tmp_path: Path, name: str) -> None:
    """Names come from other systems and from attackers; none leaves the folder of the rescue."""
    values = read_file(tmp_path / "run0.csv")
    odd = Session.create(tmp_path / "odd.h5")
    odd.add([replace(values, name=name)])
    rescue(spoiled(odd, zero("entry/iv_001/bias")), tmp_path / "new.h5")
    assert len(Session(tmp_path / "new.h5").sweeps()) == 3
    assert {p.name for p in tmp_path.iterdir() if p.is_dir()} == set()


def test_what_a_killed_rescue_left_is_removed_by_the_next(session: Session, tmp_path: Path) -> None:
    left = tmp_path / ".new.h5.rescue-abc"
    left.mkdir()
    (left / "copy.h5").write_bytes(b"half")
    rescue(session.path, tmp_path / "new.h5")
    assert not left.exists()


def test_parts_that_nothing_leads_to_are_put_together_again(labelled: Session, tmp_path: Path) -> None:
    """The group that holds all others is damaged: one byte of its header, which HDF5 then refuses."""

    def spoil(content: bytearray) -> bytearray:
        with h5py.File(labelled.path) as file:
            at = h5py.h5o.get_info(file["entry"].id).addr
        content[at + 12] ^= 4
        return content

    path = damage(labelled, spoil)
    with pytest.raises(SessionError, match="is damaged"):
        Session.open(path)
    said = rescue(path, tmp_path / "new.h5")
    assert any("put together again" in line for line in said)
    assert not [line for line in said if line.startswith("Lost")]
    new = Session(tmp_path / "new.h5")
    assert new.sweeps().equals(labelled.sweeps())
    assert new.decisions().equals(labelled.decisions())
    assert by_name(new).keys() == by_name(labelled).keys()
