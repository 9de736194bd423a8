"""Another process of Python, which runs what stands in this package: nothing of the user's own script runs twice.

`Guard` has such a one read files with limits of time and memory: what a damaged file does to a library that reads it ends that
process, and the next file gets a new one.
"""

from __future__ import annotations

import atexit
import faulthandler
import hashlib
import importlib
import os
import pickle
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from threading import Lock, Timer
from typing import IO, Any, TypeVar

T = TypeVar("T")
SECONDS, SECONDS_PER_MB = 30.0, 1.0  # of the clock; whole files take a hundredth
MEMORY, MEMORY_PER_BYTE = 1 << 30, 20  # beside what the libraries take
_START = 120.0  # [s] to import what reads, from a slow disk
_SIZE = struct.Struct("<Q")


def start_python(*arguments: str, **options: Any) -> subprocess.Popen[Any]:
    """Start Python beside this process; it finds this package, and no module by where it was started.

    Parameters
    ----------
    *arguments : str
        As on its command line: ``"-m", "sts.review.apart", ...``.
    **options
        Of `subprocess.Popen`.

    Notes
    -----
    The folder that one works in is left out of its path (``-P``): a ``statistics.py`` among a stranger's data would be run.
    """
    here = str(Path(__file__).parents[1])
    paths = os.pathsep.join([here, *filter(None, [os.environ.get("PYTHONPATH")])])
    return subprocess.Popen([sys.executable, "-P", *arguments], env=os.environ | {"PYTHONPATH": paths}, **options)


class Ended(Exception):
    """A file ended the process that read it, or was the reason to end it; the text says how, as what the file did."""


class Guard:
    """A process that reads files for this one.

    Parameters
    ----------
    imports : str
        Module that it imports before it is given a file.
    seconds : float
        It may take for a small file; a large one has a second more for each MB.
    memory : int
        It may take for a small file [bytes], where the system limits it (Linux); a large one has 20 times its size more.
    """

    def __init__(self, imports: str = "sts", *, seconds: float = SECONDS, memory: int = MEMORY) -> None:
        self.seconds, self.memory = seconds, memory
        self._imports = imports
        self._process: subprocess.Popen[bytes] | None = None
        self._cannot = False  # start a process
        self._ended: dict[bytes, str] = {}  # by hash: what ended a process is not tried again
        self._lock = Lock()
        atexit.register(self.end)
        if hasattr(os, "register_at_fork"):
            os.register_at_fork(after_in_child=self._forget)

    def read(self, function: Callable[[bytes], T], content: bytes) -> T:
        """What a function makes of the bytes of a file.

        Parameters
        ----------
        function : callable(content)
            Of a module, so that the other process finds it; raises nothing but `ValueError` and `MemoryError`.
        content : bytes

        Raises
        ------
        Ended
            If the function crashes, or takes too long or too much memory.
        ValueError
            What the function raises.
        """
        with self._lock:
            if self._ended and (known := self._ended.get(hashlib.sha256(content).digest())):
                raise Ended(known)
            process = self._alive()
            if process is None:  # read here, as any program would
                return function(content)
            try:
                told: T | ValueError | Ended = self._ask(process, function, content)
            except Ended as ended:
                self._ended[hashlib.sha256(content).digest()] = str(ended)
                raise
        if isinstance(told, (ValueError, Ended)):
            raise told
        return told

    def _alive(self) -> subprocess.Popen[bytes] | None:
        """The process, started if there is none; None where none can be had."""
        if self._process is not None and self._process.poll() is None:
            return self._process
        self.end()
        if self._cannot:
            return None
        code, pipe, nowhere = "from sts.processes import main; main()", subprocess.PIPE, subprocess.DEVNULL
        process = late = None
        try:
            process = start_python("-c", code, self._imports, stdin=pipe, stdout=pipe, stderr=nowhere)
            late = _killed_after(_START, process)
            _receive(process.stdout)
            self._process = process
        except (OSError, EOFError):
            self._cannot = True
        finally:
            if late is not None:
                late.cancel()
            if process is not None and self._process is None:
                _ended(process)
        return self._process

    def _ask(
        self, process: subprocess.Popen[bytes], function: Callable[[bytes], T], content: bytes
    ) -> T | ValueError | Ended:
        seconds = self.seconds + SECONDS_PER_MB * len(content) / 1e6
        memory = self.memory + MEMORY_PER_BYTE * len(content)
        began, late = time.monotonic(), _killed_after(seconds, process)
        whole = False
        try:
            _send(process.stdin, (function, seconds, memory))
            _send_bytes(process.stdin, content)
            told: T | ValueError | Ended = _receive(process.stdout)
            whole = True
        except (OSError, EOFError):
            if time.monotonic() - began >= seconds:
                raise Ended(f"was not read within {seconds:.0f} s") from None
            status = _ended(process)
            how = f"signal {-status}" if status < 0 else f"status {status & 0xFFFFFFFF:#x}"
            raise Ended(f"ended the process that read it ({how})") from None
        finally:
            late.cancel()
            late.join()
            if not whole or process.poll() is not None:  # after an interrupt its answer would be the next file's
                self.end()
        return told

    def end(self) -> None:
        """End the process; another one is started when there is a file to read."""
        process, self._process = self._process, None
        if process is not None:
            _ended(process)

    def _forget(self) -> None:
        """Leave the process to whoever started it: a fork of that one must not talk to it."""
        self._process, self._lock = None, Lock()


def _killed_after(seconds: float, process: subprocess.Popen[bytes]) -> Timer:
    late = Timer(seconds, process.kill)
    late.daemon = True
    late.start()
    return late


def _ended(process: subprocess.Popen[bytes]) -> int:
    """The status of a process that is ended, if it did not end by itself."""
    process.kill()
    process.communicate()
    return process.returncode


# ---- what goes between the two: a pickle, its arrays behind it


def _send(stream: IO[bytes] | None, value: object) -> None:
    assert stream is not None
    buffers: list[pickle.PickleBuffer] = []
    body = pickle.dumps(value, protocol=5, buffer_callback=buffers.append)
    stream.write(_SIZE.pack(len(buffers)))
    _send_bytes(stream, body)
    for buffer in buffers:
        _send_bytes(stream, buffer.raw())


def _send_bytes(stream: IO[bytes] | None, piece: bytes | memoryview) -> None:
    assert stream is not None
    stream.write(_SIZE.pack(len(piece)))
    stream.write(piece)
    stream.flush()


def _receive(stream: IO[bytes] | None) -> Any:
    assert stream is not None
    (count,) = _SIZE.unpack(_exactly(stream, _SIZE.size))
    body = _receive_bytes(stream)
    buffers = []
    for _ in range(count):
        buffers.append(bytearray(_size(stream)))  # arrays may be written to
        if stream.readinto(buffers[-1]) < len(buffers[-1]):  # type: ignore[attr-defined]
            raise EOFError
    return pickle.loads(body, buffers=buffers)


def _receive_bytes(stream: IO[bytes]) -> bytes:
    return _exactly(stream, _size(stream))


def _size(stream: IO[bytes]) -> int:
    return int(_SIZE.unpack(_exactly(stream, _SIZE.size))[0])


def _exactly(stream: IO[bytes], size: int) -> bytes:
    found = stream.read(size)
    if len(found) < size:
        raise EOFError
    return found


# ---- the other process


def main() -> None:
    """Read the files that come on standard input, one after the other; what is made of them goes to standard output."""
    out = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # whatever is printed does not stand among the results
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # who started this one is interrupted, and ends it
    _say_nothing_of_a_crash()
    importlib.import_module(sys.argv[1])  # so that the first file has as much time as the others
    _send(out, "ready")
    while True:
        try:
            function, seconds, memory = _receive(sys.stdin.buffer)
            content = _receive_bytes(sys.stdin.buffer)
        except EOFError:
            return
        faulthandler.dump_traceback_later(seconds, exit=True, file=sys.stderr)  # whoever started this one may have gone
        _send(out, _within(function, content, memory))
        faulthandler.cancel_dump_traceback_later()
        del content


def _within(function: Callable[[bytes], Any], content: bytes, memory: int) -> Any:
    """What the function makes of a file in so much memory, or why it could not."""
    _limit_memory(memory)
    try:
        return function(content)
    except ValueError as error:
        return error
    except MemoryError:
        return Ended(
            f"takes more memory than there is, or than {memory / 1e9:.1f} GB for its {len(content) / 1e6:.3f} MB"
        )
    finally:
        _limit_memory(None)


def _limit_memory(room: int | None) -> None:
    """Let this process take so many bytes more than it has, where the system counts them (Linux); None: as many as it may."""
    if sys.platform != "linux":
        return
    import resource

    most = resource.getrlimit(resource.RLIMIT_AS)[1]
    used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    limit = most if room is None else used + room if most == resource.RLIM_INFINITY else min(used + room, most)
    resource.setrlimit(resource.RLIMIT_AS, (limit, most))


def _say_nothing_of_a_crash() -> None:
    """No window of the system (Windows) and no file of the memory (others) when this process crashes."""
    if sys.platform == "win32":
        import msvcrt

        msvcrt.SetErrorMode(msvcrt.SEM_FAILCRITICALERRORS | msvcrt.SEM_NOGPFAULTERRORBOX)
    else:
        import resource

        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
