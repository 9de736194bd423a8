"""One change at a time: whom it waits for is said at once; where a file system gives no locks that is said, and nothing is lost."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import threading
import time
import warnings
from pathlib import Path

import pytest
from session.examples import file_of

from sts.session import NotWritten, Session, change, locking

NO_LOCKS = """
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdlib.h>
int flock(int file, int how) {
    const char *why = getenv("NO_LOCKS");
    if (why && *why) { errno = atoi(why); return -1; }
    return ((int (*)(int, int)) dlsym(RTLD_NEXT, "flock"))(file, how);
}
"""
REASONS = ("ENOLCK", "ENOSYS", "EOPNOTSUPP", "EPERM", "EACCES", "EIO", "ESTALE")
USE = """
import errno, json, os, sys, time, warnings
from pathlib import Path
from sts.session import Session, change, rescue
path, reasons = Path(sys.argv[1]), sys.argv[2:]
change.LOCK_TIMEOUT = 20
for why in reasons:
    os.environ["NO_LOCKS"] = str(getattr(errno, why))
    began = time.monotonic()
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always")
        sweeps = len(Session.open(path).sweeps())
        Session(path).mark(["f1_a"], "omit", why)
        saved = rescue(path, path.with_name(f"{why}.h5")) if why == reasons[0] else []
    print(json.dumps([why, sweeps, [str(one.message) for one in told], saved, time.monotonic() - began]))
"""


@pytest.fixture
def session(tmp_path: Path) -> Session:
    session = Session.create(tmp_path / "Gold µ 金.h5")
    session.add([file_of(1)])
    return session


@pytest.fixture
def no_locks(monkeypatch: pytest.MonkeyPatch) -> None:
    """A file system that gives no lock, as far as Python asks for one."""
    fcntl = pytest.importorskip("fcntl")

    def refused(*_: object) -> None:
        raise OSError(37, "No locks available")

    monkeypatch.setattr(fcntl, "flock", refused)


def test_where_the_system_refuses_locks_all_works_and_what_cannot_be_promised_is_said(
    session: Session, tmp_path: Path
) -> None:
    """The call of the system itself fails, for Python and for HDF5 alike, with each error that servers are known to give."""
    compiler = shutil.which("cc") if sys.platform == "linux" else None
    if compiler is None:
        pytest.skip("needs a C compiler, and a system where a library can stand before the system's")
    (tmp_path / "no_locks.c").write_text(NO_LOCKS)
    library = tmp_path / "no_locks.so"
    subprocess.run([compiler, "-shared", "-fPIC", "-o", library, tmp_path / "no_locks.c", "-ldl"], check=True)
    done = subprocess.run(
        [sys.executable, "-c", USE, session.path, *REASONS], capture_output=True, text=True, encoding="utf-8",
        env=os.environ | {"LD_PRELOAD": str(library), "PYTHONUTF8": "1"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    answers = [json.loads(line) for line in done.stdout.splitlines()]
    assert [why for why, *_ in answers] == list(REASONS)
    for _, sweeps, told, saved, seconds in answers:
        assert sweeps == 2
        assert len(told) == (2 if saved else 1)  # for the session and for the one made of it
        assert all("the file system gives no lock (" in text and "a change could be lost" in text for text in told)
        assert seconds < 10
    assert "Saved: 2 sweeps." in answers[0][3]
    assert session.decisions()["why"].tolist() == list(REASONS)
    assert [p.name for p in tmp_path.iterdir() if p.name.endswith((".part", ".held"))] == []


def test_without_locks_a_session_changed_meanwhile_is_not_replaced(session: Session, no_locks: None) -> None:
    """As by a computer whose lock is not seen here."""
    other = session.path.with_name("copy.h5")
    shutil.copy(session.path, other)
    with pytest.warns(locking.SessionWarning):
        Session(other).mark(["f1_a"], "keep", "of the other computer")

    def change_it() -> None:
        with change.changing(session.path) as begun:
            begun.file().attrs["half"] = 1
            os.replace(other, session.path)

    with (
        pytest.warns(locking.SessionWarning),
        pytest.raises(NotWritten, match=r"another program changed this session meanwhile\. Its change stands"),
    ):
        change_it()
    assert session.current_decisions() == {"f1_a": ("keep", "of the other computer")}
    with pytest.warns(locking.SessionWarning):
        session.mark(["f1_b"], "omit", "tried again")
    assert len(session.current_decisions()) == 2


def test_without_locks_changes_here_still_wait_for_each_other(session: Session, no_locks: None) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", locking.SessionWarning)
        with change.changing(session.path) as begun:
            begun.file().attrs["half"] = 1
            with pytest.raises(NotWritten, match=rf"process {os.getpid()} on '.*' \(since \d\d:\d\d\) is changing .*"
                               r"delete \..*\.held beside the session"), change.changing(session.path, timeout=0.1):  # fmt: skip
                raise AssertionError
        session.mark(["f1_a"], "omit", "x")


def test_what_a_computer_without_locks_holds_is_waited_for_here(session: Session) -> None:
    held = session.path.with_name(f".{session.path.name}.held")
    held.write_text("77\nmicroscope\n")
    with pytest.raises(NotWritten, match="process 77 on 'microscope'"), change.changing(session.path, timeout=0.1):
        raise AssertionError
    held.unlink()
    session.mark(["f1_a"], "omit", "x")


def test_whom_a_change_waits_for_is_said_at_once(session: Session) -> None:
    """Not after two minutes; and it goes on as soon as the other one has ended."""
    begun, end, told = threading.Event(), threading.Event(), []

    def holds() -> None:
        with change.changing(session.path):
            begun.set()
            end.wait(20)

    thread = threading.Thread(target=holds)
    thread.start()
    assert begun.wait(20)
    began = time.monotonic()

    def heard(text: str) -> None:
        told.append((text, time.monotonic() - began))
        end.set()

    with pytest.warns(locking.SessionWarning), locking.heard_by(heard):
        session.mark(["f1_a"], "omit", "x")
    thread.join()
    ((text, after),) = told
    assert f"process {os.getpid()} on " in text
    assert "(since " in text
    assert after < 2
    assert session.current_decisions() == {"f1_a": ("omit", "x")}


def test_a_lock_that_fails_once_is_tried_again(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    fcntl = pytest.importorskip("fcntl")
    real, calls = fcntl.flock, []

    def sometimes(file: object, how: int) -> None:
        calls.append(how)
        if len(calls) == 2:  # the first is asked of a file that nobody else knows
            raise OSError(116, "Stale file handle")
        real(file, how)

    monkeypatch.setattr(fcntl, "flock", sometimes)
    monkeypatch.setattr(locking.time, "sleep", lambda _: None)
    session.mark(["f1_a"], "omit", "x")
    assert len(session.decisions()) == 1


def test_a_copy_of_another_computer_stays_where_there_are_no_locks(session: Session, no_locks: None) -> None:
    there = session.path.with_name(f".{session.path.name}.microscope.77.00c0ffee.part")
    there.write_bytes(b"half")
    with pytest.warns(locking.SessionWarning):
        session.mark(["f1_a"], "omit", "x")
    assert there.exists()
    os.utime(there, (0, 0))
    with pytest.warns(locking.SessionWarning):
        session.mark(["f1_b"], "omit", "x")
    assert not there.exists()
