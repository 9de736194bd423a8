"""A process beside this one: it finds the package, and nothing that lies where the user works; what a file does to it is that
file's alone: a crash, a loop without end, want of memory.

Python runs the invented files (`exec` is the reader), so that each does what damaged bytes make a library do.
"""

from __future__ import annotations

import _thread
import os
import pickle
import signal
import subprocess
import sys
import time
from pathlib import Path
from threading import Timer

import numpy as np
import pytest

import sts
from sts.processes import Ended, Guard, start_python

V = np.linspace(-1, 1, 24)
CRASH = b"import faulthandler; faulthandler._sigsegv()"
FOR_EVER = b"import re; re.match('(a+)+$', 'a' * 64 + 'b')"  # within a library, so that no handler of Python is called


def test_it_runs_this_package_and_no_module_among_the_data(tmp_path: Path, monkeypatch) -> None:
    (tmp_path / "statistics.py").write_text("raise SystemExit('of a stranger')\n")
    monkeypatch.chdir(tmp_path)
    process = start_python(
        "-c", "import statistics, sts; print(sts.__file__, statistics.mean([1, 3]))", stdout=subprocess.PIPE, text=True
    )
    said, _ = process.communicate()
    assert (process.returncode, said.split()) == (0, [sts.__file__, "2"])


@pytest.fixture(scope="module")
def guard():
    made = Guard(seconds=1.0, memory=200_000_000)
    yield made
    made.end()


def is_read(guard: Guard) -> bool:
    return guard.read(len, b"12345") == 5


def test_a_crash_is_a_refusal_and_the_next_file_is_read(guard):
    assert is_read(guard)
    with pytest.raises(Ended, match=r"ended the process that read it \((signal|status)"):
        guard.read(exec, CRASH)
    assert is_read(guard)


def test_a_loop_without_end_is_ended(guard):
    assert is_read(guard)
    with pytest.raises(Ended, match=r"was not read within 1 s"):
        guard.read(exec, FOR_EVER)
    assert is_read(guard)


def test_what_ended_a_process_is_not_tried_again(guard):
    with pytest.raises(Ended, match="ended the process"):
        guard.read(exec, CRASH + b"  # once")
    process = guard._process
    with pytest.raises(Ended, match="ended the process"):
        guard.read(exec, CRASH + b"  # once")
    assert guard._process is process


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux limits what a process may take")
def test_want_of_memory_is_a_refusal_and_the_next_file_has_all_of_it_again(guard):
    with pytest.raises(Ended, match=r"memory .*0\.2 GB for its 0\.000 MB"):
        guard.read(exec, b"bytearray(300_000_000)")
    process = guard._process
    assert guard.read(exec, b"bytearray(100_000_000)") is None
    assert guard._process is process


def test_a_large_file_has_more_time_and_more_memory(guard):
    """A second and twenty times its bytes for each MB, as the documentation says."""
    slow = b"import time; time.sleep(1.3); bytearray(250_000_000) #".ljust(3_000_000)
    assert guard.read(exec, slow) is None


def test_arrays_come_back_to_the_last_bit_and_may_be_changed():
    guard = Guard("numpy")
    (back,) = guard.read(pickle.loads, pickle.dumps([np.asfortranarray(np.outer(V, V))]))
    guard.end()
    assert np.array_equal(back, np.outer(V, V))
    back[0] = 0.0


def test_an_interrupt_leaves_no_answer_for_the_next_file(guard):
    assert is_read(guard)
    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell may have it ignored in the background
    try:
        Timer(0.1, _thread.interrupt_main).start()
        with pytest.raises(KeyboardInterrupt):  # noted where this process waits, or after it
            [guard.read(exec, b"import time; time.sleep(0.02)") for _ in range(100)]
    finally:
        signal.signal(signal.SIGINT, before)
    assert is_read(guard)


def test_where_no_process_can_be_had_files_are_read_here(monkeypatch):
    monkeypatch.setattr(sys, "executable", str(Path(__file__).parent / "no such file"))
    alone = Guard()
    assert is_read(alone)
    assert alone.read(lambda content: os.getpid(), b"") == os.getpid()


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork on this system")
def test_a_fork_starts_a_process_of_its_own(guard):
    assert is_read(guard)
    mine = guard._process
    child = os.fork()
    if child == 0:
        os._exit(0 if guard._process is None else 1)
    assert os.waitpid(child, 0)[1] == 0
    assert is_read(guard)
    assert guard._process is mine


@pytest.mark.skipif(sys.platform != "linux", reason="asks /proc")
def test_it_ends_by_itself_where_whoever_started_it_has_gone():
    """A hung library would keep a processor busy until the machine is switched off."""
    code = (
        "from sts.processes import Guard; guard = Guard(seconds=0.3); guard.read(len, b''); print(guard._process.pid, flush=True);"
        f"guard.read(exec, {FOR_EVER!r})"
    )
    process = start_python("-c", code, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    left = Path(f"/proc/{int(process.stdout.readline())}/stat")
    process.kill()
    process.communicate()
    until = time.monotonic() + 20
    while left.exists() and left.read_text().rsplit(")", 1)[1].split()[0] != "Z" and time.monotonic() < until:
        time.sleep(0.02)
    assert time.monotonic() < until
