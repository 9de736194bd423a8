"""Everything that can go wrong around a session: one clear line, and nothing lost."""

from __future__ import annotations

import multiprocessing
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import h5py
import pytest
from filelock import FileLock
from session.examples import file_of, sweep_set

from sts.session import Session, SessionError, change

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "scripts"))

from studies import kills

POSIX = pytest.mark.skipif(os.name == "nt", reason="limits and rights of POSIX systems")


@pytest.fixture
def session(tmp_path: Path) -> Session:
    folder = tmp_path / "séance à 77 K"  # spaces and letters beyond ASCII in every test
    folder.mkdir()
    session = Session.create(folder / "Gold µ 金.h5")
    session.add([file_of(1)])
    return session


def left_over(session: Session) -> list[str]:
    return [p.name for p in session.path.parent.iterdir() if p.name.endswith(".part")]


@pytest.mark.parametrize("what", kills.CHANGES)
def test_a_killed_change_leaves_the_session_as_it_was_or_whole(tmp_path: Path, what: str) -> None:
    """A small version of the study of 300 kills."""
    lost, _, stale = kills.killed(tmp_path, what, 2, seed=7)
    assert (lost, stale) == (0, 0)


def test_two_processes_importing_at_once_both_get_everything_in(tmp_path: Path) -> None:
    """A small version of the study of 50."""
    assert kills.imported_at_once(tmp_path / "s.h5", seed=3) == 0


def _die_half_way(path: Path) -> None:
    with change.changing(path) as begun:
        begun.file().attrs["half"] = 1
        os._exit(1)


def test_the_next_run_clears_up_what_a_dead_one_left(session: Session) -> None:
    process = kills.CONTEXT.Process(target=_die_half_way, args=(session.path,))
    process.start()
    process.join()
    assert len(left_over(session)) == 1
    foreign = session.path.with_name(".another.h5.host.1.abcd.part")
    foreign.touch()
    session.mark(["f1_a"], "omit", "x")
    assert left_over(session) == [foreign.name]  # of another session: not ours to remove
    assert list(session.sweeps()["sweep"]) == ["f1_a", "f1_b"]


def test_a_change_leaves_the_copy_of_a_session_whose_name_begins_alike(tmp_path: Path) -> None:
    """``run`` and ``run.h5`` have locks of their own: one is changed while the other is."""
    short, long = Session.create(tmp_path / "run"), Session.create(tmp_path / "run.h5")
    with change.changing(long.path) as begun:
        begun.file().attrs["half"] = 1
        short.add([file_of(1)])
    assert len(short.sweeps()) == 2
    with h5py.File(long.path) as file:
        assert file.attrs["half"] == 1


def _with_file_size_limits(path: str, limits: list[str]) -> list[str]:
    """Import in a process that may write no file longer than each of `limits` bytes, which fails like a full disk."""
    code = """
import resource, signal, sys
from pathlib import Path
from session.examples import file_of, sweep_set
from sts.session import Session, SessionError
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
path, big = Path(sys.argv[1]), file_of(5, sweep_set(["big"], points=200_000))
for limit in map(int, sys.argv[2:]):
    before = path.read_bytes()
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
    try:
        Session(path).add([big])
    except SessionError as error:
        left = [one.name for one in path.parent.iterdir() if one.name.endswith(".part")]
        sys.stdout.write(f"{error} {left} {path.read_bytes() == before}\\n")
        sys.stdout.flush()
"""
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).resolve().parents[1]), "PYTHONUTF8": "1"}
    done = subprocess.run(
        [sys.executable, "-c", code, path, *limits], capture_output=True, text=True, encoding="utf-8", env=environment
    )
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    return done.stdout.splitlines()


@POSIX
def test_a_full_disk_is_one_line_and_nothing_is_lost(session: Session) -> None:
    """At any point: while copying, writing sweeps, or closing. (Linux reports EFBIG here, ENOSPC on a full disk.)"""
    before = session.path.read_bytes()
    limits = [str(len(before) + beyond) for beyond in (-20_000, 1000, 100_000, 1_000_000)]
    said = _with_file_size_limits(str(session.path), limits)
    assert len(said) == len(limits)  # one line each
    for line in said:
        assert "the disk is full, or a size limit is reached. Nothing was changed" in line
        assert line.endswith(" [] True")  # no part is left over, and the session is as it was
    assert session.path.read_bytes() == before
    session.mark(["f1_a"], "omit", "there is room again")


def _as_nobody(folder: Path, path: Path, answers: object) -> None:
    os.chmod(folder, 0o555)
    if os.geteuid() == 0:
        os.setuid(65534)
    try:
        Session(path).mark(["f1_a"], "omit", "x")
        said = "changed"
    except SessionError as error:
        said = str(error)
    answers.put((said, len(Session.open(path).sweeps())))  # type: ignore[attr-defined]


@POSIX
def test_a_read_only_folder_can_be_read_and_is_named(tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = Path(tempfile.mkdtemp(dir="/tmp" if os.path.isdir("/tmp") else None))
    try:
        session = Session.create(folder / "s.h5")
        session.add([file_of(1)])
        (folder / ".s.h5.lock").unlink()
        folder.chmod(0o755)
        context = multiprocessing.get_context("fork" if sys.platform == "linux" else "spawn")
        answers = context.Queue()
        process = context.Process(target=_as_nobody, args=(folder, session.path, answers))
        process.start()
        said, sweeps = answers.get(timeout=120)
        process.join()
        assert "you may not write in the folder" in said
        assert "\n" not in said
        assert sweeps == 2
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)


def _hold_open(path: Path, mode: str, ready: object, end: object) -> None:
    with h5py.File(path, mode):
        ready.set()  # type: ignore[attr-defined]
        end.wait(60)  # type: ignore[attr-defined]


@POSIX
@pytest.mark.parametrize("mode", ["r", "r+"])
def test_a_session_open_in_another_program(session: Session, mode: str) -> None:
    """Open for reading there, it can be changed; open for writing, both reading and changing are refused."""
    ready, end = kills.CONTEXT.Event(), kills.CONTEXT.Event()
    process = kills.CONTEXT.Process(target=_hold_open, args=(session.path, mode, ready, end))
    process.start()
    assert ready.wait(60)
    before = session.path.read_bytes()
    try:
        if mode == "r":
            session.mark(["f1_a"], "omit", "x")
            assert session.current_decisions() == {"f1_a": ("omit", "x")}
        else:
            for use in (session.sweeps, lambda: session.mark(["f1_a"], "omit", "x"), lambda: session.add([file_of(2)])):
                with pytest.raises(SessionError, match="open for writing in another program"):
                    use()
            assert session.path.read_bytes() == before
    finally:
        end.set()
        process.join()
    assert len(session.sweeps()) == 2


def test_a_file_that_windows_will_not_replace_is_said_to_be_open_elsewhere(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """There, a file that any program has open cannot be replaced; tried again for a while, for virus scanners."""
    tries = []

    def refused(*_: object) -> None:
        tries.append(1)
        raise PermissionError(13, "The process cannot access the file because it is being used by another process")

    before = session.path.read_bytes()
    monkeypatch.setattr(change.os, "replace", refused)
    monkeypatch.setattr(change.time, "sleep", lambda _: None)
    with pytest.raises(SessionError, match="is open in another program, so it cannot be replaced"):
        session.mark(["f1_a"], "omit", "x")
    monkeypatch.undo()
    assert len(tries) == change.REPLACE_TRIES
    assert session.path.read_bytes() == before
    assert left_over(session) == []


def test_a_lock_held_too_long_says_who_holds_it(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(change, "LOCK_TIMEOUT", 0.2)
    with change.changing(session.path) as begun:
        begun.file()
        with pytest.raises(SessionError, match=rf"process {os.getpid()} on '.*' .* is changing this session"):
            Session(session.path).mark(["f1_a"], "omit", "x")
    with (
        FileLock(session.path.with_name(f".{session.path.name}.lock")),
        pytest.raises(SessionError, match="another program is changing this session and was not done after 0 s"),
    ):
        session.mark(["f1_a"], "omit", "x")
    session.mark(["f1_a"], "omit", "x")


def test_reading_does_not_wait_for_a_change_and_sees_the_state_before(session: Session) -> None:
    with change.changing(session.path) as begun:
        begun.file().attrs["half"] = 1
        assert len(session.sweeps()) == 2


@POSIX
def test_a_link_to_a_session_stays_a_link_and_rights_stay(session: Session) -> None:
    link = session.path.with_name("today.h5")
    link.symlink_to(session.path.name)
    session.path.chmod(0o640)
    Session.open(link).add([file_of(2)])
    assert link.is_symlink()
    assert len(session.sweeps()) == 4
    assert session.path.stat().st_mode & 0o777 == 0o640


def test_an_interrupted_import_leaves_nothing_behind(session: Session) -> None:
    def files():  # type: ignore[no-untyped-def]
        yield file_of(2, sweep_set(["x"]))
        raise KeyboardInterrupt

    before = session.path.read_bytes()
    with pytest.raises(KeyboardInterrupt):
        session.add(files())
    assert session.path.read_bytes() == before
    assert left_over(session) == []
