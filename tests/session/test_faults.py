"""Want of memory, a failing disk or server: said as such, never called damage, and nothing counts as lost for it."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from session.examples import file_of

from sts.session import NotWritten, Session, SessionError, faults, rescue, rescuing
from sts.sweeps import SweepSet, sweep_table

# As HDF5 1.14 said them when the address space was limited and when a lock failed (seen)
WANT = "Can't synchronously read data (memory allocation failed for raw data chunk)"
DISK = "Can't synchronously read data (file read failed: errno = 5, error message = 'Input/output error')"


@pytest.fixture
def session(tmp_path: Path) -> Session:
    session = Session.create(tmp_path / "s.h5")
    session.add([file_of(1)])
    return session


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> Callable[[Exception], None]:
    """Let the numbers of sweeps fail to be read."""

    def fail(error: Exception) -> None:
        def read(*_: object) -> None:
            raise error

        monkeypatch.setattr("sts.session.layout.read_rows", read)

    return fail


@pytest.mark.parametrize("error", [MemoryError("Unable to allocate 61.0 MiB"), OSError(WANT), RuntimeError(WANT)])
def test_want_of_memory_is_not_called_damage_and_a_rescue_counts_nothing_lost(
    session: Session, failing: Callable[[Exception], None], error: Exception
) -> None:
    failing(error)
    with pytest.raises(MemoryError):
        session.sets()
    new = session.path.with_name("new.h5")
    with pytest.raises(MemoryError):
        rescue(session.path, new)
    assert not new.exists()


def test_damage_seen_while_there_is_no_room_to_unpack_a_block_is_not_believed(
    session: Session, failing: Callable[[Exception], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """HDF5 says of a block that it cannot unpack, for whatever reason: filter returned failure (seen)."""
    failing(OSError("Can't synchronously read data (filter returned failure during read)"))
    with pytest.raises(SessionError, match="is damaged"):
        session.sets()
    monkeypatch.setattr(faults, "_no_room", lambda: True)
    with pytest.raises(MemoryError):
        session.sets()


def test_an_array_that_no_memory_could_hold_is_damage() -> None:
    with pytest.raises(MemoryError) as asked:
        np.empty(1 << 44)
    assert faults.of_machine(asked.value) is None
    assert isinstance(faults.of_machine(MemoryError()), MemoryError)


def test_a_disk_or_server_that_fails_is_named_and_not_called_damage(
    session: Session, failing: Callable[[Exception], None]
) -> None:
    failing(OSError(DISK))
    with pytest.raises(
        SessionError, match=r"cannot be read now \(Input/output error\).*says nothing about the session"
    ):
        session.sets()
    with pytest.raises(NotWritten, match="Input/output error"):
        rescue(session.path, session.path.with_name("new.h5"))


def test_a_program_that_goes_too_deep_is_not_called_damage(
    session: Session, failing: Callable[[Exception], None]
) -> None:
    failing(RecursionError("maximum recursion depth exceeded"))
    with pytest.raises(RecursionError):
        session.sets()


def test_a_write_without_memory_is_no_disk_that_cannot_be_written(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise OSError(WANT.replace("read", "write"))

    before = session.path.read_bytes()
    monkeypatch.setattr("sts.session.tables.write_array", fail)
    with pytest.raises(MemoryError):
        session.mark(["f1_a"], "omit", "x")
    assert session.path.read_bytes() == before


LIMITED = """
import resource, sys
from pathlib import Path
from sts.session import Session

session = Session.open(Path(sys.argv[1]))
used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (used + (40 << 20),) * 2)
try:
    session.sets()
except MemoryError:
    print("memory")
"""


def test_a_session_larger_than_the_memory_left_is_said_to_be_that(session: Session) -> None:
    """The system itself gives no more memory to a new process that may have so much and no more."""
    if sys.platform != "linux":
        pytest.skip("needs the limit on the address space and /proc of Linux")
    ids = [f"w{i}" for i in range(8)]
    session.add([file_of(2, SweepSet("iv", np.linspace(-1, 1, 1_000_000), np.zeros((8, 1_000_000)), sweep_table(ids)))])
    limited = [sys.executable, "-c", LIMITED, str(session.path)]
    ended = subprocess.run(limited, capture_output=True, text=True, timeout=120, check=False)
    assert (ended.stdout, ended.stderr) == ("memory\n", "")


def test_what_the_disk_does_not_give_costs_no_more_than_itself(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bad sector in an original: its sweeps are all there."""
    content = session.path.read_bytes()
    original = file_of(1).content
    bad = content.index(original[:64]) if original[:64] in content else len(content) // 2
    real = Path.open

    class Disk:
        def __init__(self, path: Path) -> None:
            self.file = real(path, "rb", buffering=0)

        def __enter__(self) -> Disk:
            return self

        def __exit__(self, *_: object) -> None:
            self.file.close()

        def fileno(self) -> int:
            return self.file.fileno()

        def seek(self, at: int) -> None:
            self.file.seek(at)

        def read(self, size: int) -> bytes:
            if self.file.tell() <= bad < self.file.tell() + size:
                raise OSError(5, "Input/output error")
            return self.file.read(size)

    monkeypatch.setattr(
        Path, "open", lambda path, *args, **more: Disk(path) if "buffering" in more else real(path, *args, **more)
    )
    monkeypatch.setattr(rescuing, "PIECE", 64)
    said = rescue(session.path, session.path.with_name("new.h5"))
    assert "The disk does not give 64 bytes of the file; what lay there is lost." in said
    assert "Saved: 2 sweeps." in said
