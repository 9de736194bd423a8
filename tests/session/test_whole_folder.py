"""A folder is as before or all new: with a full disk, with a kill at any file, with whatever else lies in it."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from sts.session import whole_folder as module
from sts.session.whole_folder import whole_folder

FILES = {"a.txt": b"new a", "figures/b.svg": b"new b", "results.json": b"new"}


def write(folder: Path, without: tuple[str, ...] = ()) -> None:
    with whole_folder(folder, without=without, last="results.json") as new:
        for name, data in FILES.items():
            (new / name).parent.mkdir(exist_ok=True)
            (new / name).write_bytes(data)


def content(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.fixture
def old(tmp_path: Path) -> Path:
    folder = tmp_path / "out"
    (folder / "figures").mkdir(parents=True)
    (folder / "mine" / "empty").mkdir(parents=True)
    for name in ("a.txt", "figures/stale.svg", "results.json", "mine/notes.txt"):
        (folder / name).write_bytes(b"old")
    return folder


def test_a_new_folder_holds_what_was_written_and_nothing_stays_beside_it(tmp_path: Path) -> None:
    write(tmp_path / "in" / "out")
    assert content(tmp_path / "in" / "out") == FILES
    assert [p.name for p in (tmp_path / "in").iterdir()] == ["out"]


@pytest.mark.parametrize("way", ["exchanged", "renamed", "one by one", "present folder", "without second names"])
def test_new_files_take_the_place_of_old_ones_and_what_is_not_ours_stays(
    old: Path, way: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no(*_: object, **__: object) -> None:
        raise OSError(errno.EPERM, "not here")

    if way == "renamed":
        monkeypatch.setattr(module.ctypes, "CDLL", no)
    if way == "one by one":
        monkeypatch.setattr(module, "_exchange", no)
    if way == "without second names":
        monkeypatch.setattr(module.os, "link", no)
    if way == "present folder":
        monkeypatch.chdir(old)
    write(Path() if way == "present folder" else old, without=("figures/stale.svg",))
    assert content(old) == FILES | {"mine/notes.txt": b"old"}
    assert (old / "mine" / "empty").is_dir()
    assert [p.name for p in old.parent.iterdir()] == ["out"]
    if way == "present folder":
        assert Path.cwd() == old  # a shell that stands there still does


def test_a_link_to_a_folder_stays_a_link(old: Path) -> None:
    link = old.with_name("link")
    link.symlink_to(old)
    (old / "mine" / "elsewhere").symlink_to("/nowhere")
    write(link)
    assert link.is_symlink()
    assert content(old)["a.txt"] == b"new a"
    assert os.readlink(old / "mine" / "elsewhere") == "/nowhere"


def fail(folder: Path, error: Exception) -> None:
    with whole_folder(folder) as new:
        (new / "a.txt").write_bytes(b"x" * 1_000_000)
        raise error


@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "no space"), ValueError("anything")])
def test_what_fails_leaves_the_old_folder(old: Path, error: Exception) -> None:
    before = content(old)
    with pytest.raises(type(error)) as seen:
        fail(old, error)
    assert content(old) == before
    assert [p.name for p in old.parent.iterdir()] == ["out"]
    if isinstance(error, OSError):
        assert str(old) in str(seen.value)
        assert "more than 1 MB, and" in str(seen.value)
        assert "MB are free" in str(seen.value)


def test_what_a_killed_process_left_is_removed_after_an_hour(old: Path) -> None:
    left, fresh = old.with_name(".out.0123abcd.new"), old.with_name(".out.0123abce.new")
    for folder in (left, fresh):
        folder.mkdir()
    os.utime(left, (time.time() - 7200,) * 2)
    write(old)
    assert not left.exists()
    assert fresh.exists()


KILLS = """
import os, signal, sys, time
from pathlib import Path
from sts.session.whole_folder import whole_folder

folder = Path(sys.argv[1])
for kill in range(40):
    reading, writing = os.pipe()
    child = os.fork()
    if not child:
        for turn in range(10**9):
            with whole_folder(folder, last="results.json") as new:
                for name in "abcdefgh":
                    (new / name).write_text(f"{kill}.{turn}")
            os.write(writing, b".")
    os.read(reading, 1)
    time.sleep(0.0003 * kill)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    print(*sorted(path.name for path in folder.iterdir()), len({path.read_text() for path in folder.iterdir()}))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="a kill by signal, and folders that change places in one step")
def test_a_kill_leaves_one_turn_whole(tmp_path: Path) -> None:
    """Forty kills at other moments: all files of the folder are of one turn, and none is missing."""
    done = subprocess.run(
        [sys.executable, "-c", KILLS, str(tmp_path / "out")], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines() == ["a b c d e f g h 1"] * 40


def test_a_file_in_its_place_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    with pytest.raises(NotADirectoryError), whole_folder(tmp_path / "out"):
        pass
    assert (tmp_path / "out").read_text() == "mine"
