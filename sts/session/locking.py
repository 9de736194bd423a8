"""One change of a session at a time: whom a change waits for, and what is left where a file system gives no locks.

The lock of the system on ``.NAME.lock`` is let go when a process ends, however it ends. Where the file system refuses it, a file
``.NAME.held`` that only one program can make stands for it, and `sts.session.change` looks before it replaces a session whether
that is still the one it copied.
"""

from __future__ import annotations

import math
import os
import re
import secrets
import socket
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from contextvars import ContextVar
from pathlib import Path

from filelock import BaseFileLock, FileLock, SoftFileLock, Timeout

from sts.session.tables import NotWritten

GRACE = 0.5  # [s] of waiting before it is said for whom
TRIES = 4  # of 0.2 s each, where a lock that is given in general fails once
_LISTENER: ContextVar[Callable[[str], None] | None] = ContextVar("listener", default=None)


class SessionWarning(UserWarning):
    """What cannot be promised of a session where it lies, or whom a change of it waits for."""


@contextmanager
def heard_by(listener: Callable[[str], None]) -> Iterator[None]:
    """Tell somebody what this thread warns of, too.

    Parameters
    ----------
    listener : callable(str)
    """
    token = _LISTENER.set(listener)
    try:
        yield
    finally:
        _LISTENER.reset(token)


def _tell(text: str) -> None:
    warnings.warn(text, SessionWarning, stacklevel=2)
    if (listener := _LISTENER.get()) is not None:
        listener(text)


@contextmanager
def locked(path: Path, target: Path, timeout: float) -> Iterator[bool]:
    """Keep others from changing a session; where that cannot be promised, and whom it waits for, is warned of.

    Parameters
    ----------
    path, target : path
        The session as it was named, and where it lies.
    timeout : float
        How long to wait for others [s].

    Yields
    ------
    bool
        Whether nobody else can be changing it.

    Raises
    ------
    NotWritten
        If another program holds it longer.
    OSError
        If the folder cannot be written, or the lock fails for a reason of the machine.
    """
    until = time.monotonic() + timeout
    native, held = (target.with_name(f".{target.name}.{ending}") for ending in ("lock", "held"))
    refused = _refusal(target)
    if refused is not None:
        _tell(
            f"{path}: the file system gives no lock ({refused.strerror}). Let one program at a time change this session: sts "
            "looks before it replaces a session whether another program changed it meanwhile, and then refuses; in the "
            "instant between the two a change could be lost."
        )
    with ExitStack() as stack:
        if refused is None:
            stack.enter_context(_acquired(FileLock(native), path, target, until))
            stack.callback(_sign, native, "")
            _sign(native, f"{os.getpid()}\n{socket.gethostname()}\n")
        if refused is not None or held.exists():  # made on another computer, which gets no lock
            stack.enter_context(_acquired(SoftFileLock(held), path, target, until))
        try:
            yield refused is None
        finally:
            if not target.exists():  # no session was made: leave nothing at all
                with suppress(OSError):
                    native.unlink()


def _refusal(target: Path) -> OSError | None:
    """What the file system says where it locks not even a file that nobody else knows."""
    if os.name == "nt":
        return None
    import fcntl

    with tempfile.TemporaryFile(dir=target.parent, prefix=f".{target.name[:100]}.") as own:
        try:
            fcntl.flock(own, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            return error
    return None


@contextmanager
def _acquired(lock: BaseFileLock, path: Path, target: Path, until: float) -> Iterator[None]:
    began = time.monotonic()
    try:
        try:
            _try_again(lock, min(GRACE, until - began))
        except Timeout:
            rest = max(until - time.monotonic(), 0)
            if rest > GRACE:
                _tell(f"{path}: {_holder(target)} is changing this session; waiting for it, {rest:.0f} s at most.")
            _try_again(lock, rest)
    except Timeout as error:
        ended = ""
        if isinstance(lock, SoftFileLock):
            ended = f" If no program is changing it, delete {Path(lock.lock_file).name} beside the session."
        raise NotWritten(
            f"{path}: {_holder(target)} is changing this session and was not done after {time.monotonic() - began:.0f} s. "
            f"Nothing was changed; wait for it to end, or end it, and try again.{ended}"
        ) from error
    try:
        yield
    finally:
        lock.release()


def _try_again(lock: BaseFileLock, timeout: float) -> None:
    """Acquire a lock, also where that fails at first, as it may on a server."""
    for attempt in range(TRIES):
        try:
            lock.acquire(timeout=max(timeout, 0))
            return
        except Timeout:
            raise
        except OSError as error:
            if error.filename is not None or attempt == TRIES - 1:  # the folder cannot be written
                raise
            time.sleep(0.2)


def _sign(native: Path, who: str) -> None:
    """Say in the lock who holds it; where that cannot be (Windows), the name of the copy says it."""
    with suppress(OSError), native.open("r+b") as lock:
        lock.truncate()
        lock.write(who.encode())


def _holder(target: Path) -> str:
    """Who changes a session, and since when, as far as that is known."""
    for ending in ("held", "lock"):
        with suppress(OSError, ValueError):
            signed = target.with_name(f".{target.name}.{ending}")
            process, host = signed.read_text(encoding="utf-8").split("\n")[:2]
            return f"process {int(process)} on '{host}' (since {_clock(signed)})"
    for copy in copies(target):
        with suppress(OSError):
            host, process = copy.name.removeprefix(f".{target.name}.").split(".")[:2]
            return f"process {process} on '{host}' (last active at {_clock(copy)})"
    return "another program"


def _clock(path: Path) -> str:
    return time.strftime("%H:%M", time.localtime(path.stat().st_mtime))


def new_copy(target: Path) -> Path:
    """The path of a copy in which this process changes a session.

    Parameters
    ----------
    target : path
    """
    host = re.sub(r"[^A-Za-z0-9-]", "-", socket.gethostname())[:40] or "host"
    return target.with_name(f".{target.name}.{host}.{os.getpid()}.{secrets.token_hex(4)}.part")


def copies(target: Path, *, older_than: float = -math.inf) -> list[Path]:
    """The copies of a session that are being changed, or were left by a killed process.

    Parameters
    ----------
    target : path
    older_than : float, optional
        Only those that were last written so long ago [s].
    """
    ours = re.compile(
        re.escape(f".{target.name}.") + r"[A-Za-z0-9-]+\.\d+\.[0-9a-f]{8}\.part"
    )  # as `new_copy` names them
    found = [p for p in target.parent.iterdir() if ours.fullmatch(p.name)]
    return [p for p in found if older_than < 0 or time.time() - p.stat().st_mtime > older_than]
