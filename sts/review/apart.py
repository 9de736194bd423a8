"""Measuring in a process of its own: the page answers meanwhile, and its server never holds what only measuring needs.

The result is handed over as a pickle with its arrays beside it in a file, which the server maps and reads where a sweep is looked
at. Both lie in a folder that only this user may enter, and are gone when the review ends.
"""

from __future__ import annotations

import mmap
import os
import pickle
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from threading import Thread
from typing import Any, TypeVar

from sts.plan import Plan
from sts.processes import start_python

T = TypeVar("T")
TABLES, ARRAYS = "tables", "arrays"
BEHIND = 10  # of 19 steps: server and browser have the processor first, so that the page is there soon
LINE = 64  # [bytes] arrays start at multiples of it
REFUSED = 3  # exit status where the session cannot be measured; the reason is the last line of the errors


class Apart:
    """A session that is being measured in another process.

    Parameters
    ----------
    session : path
    plan : Plan
    """

    def __init__(self, session: str | Path, plan: Plan) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="sts-review-"))
        self._process = start_python(
            "-m", "sts.review.apart", str(session), str(self._folder), str(BEHIND), stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, encoding="utf-8",
        )  # fmt: skip
        self.standing = beside(lambda: self._wait(plan))

    def _wait(self, plan: Plan) -> Any:
        _, errors = self._process.communicate(plan.model_dump_json())
        lines = errors.strip().splitlines() or [""]
        if self._process.returncode == REFUSED:
            raise ValueError(lines[-1])
        if self._process.returncode:
            raise ValueError(
                f"Measuring ended before it was done (status {self._process.returncode}). {lines[-1]} Decisions are kept; "
                "run 'sts check' on the session to see what is wrong."
            )
        return load(self._folder)

    def end(self) -> None:
        """End it, and remove what it wrote."""
        if self._process.poll() is None:
            self._process.kill()
        shutil.rmtree(self._folder, ignore_errors=True)


def keep(value: Any, folder: Path) -> None:
    """Write an object into a folder, its arrays in a file of their own.

    Parameters
    ----------
    value : object
    folder : path
    """
    buffers: list[pickle.PickleBuffer] = []
    body = pickle.dumps(value, protocol=5, buffer_callback=buffers.append)
    sizes = []
    with (folder / ARRAYS).open("wb") as file:
        file.write(bytes(LINE))  # an empty file cannot be mapped
        for buffer in buffers:
            raw = buffer.raw()
            sizes.append(raw.nbytes)
            file.write(raw)
            file.write(bytes(-raw.nbytes % LINE))
    (folder / TABLES).write_bytes(pickle.dumps((sizes, body)))


def load(folder: Path) -> Any:
    """What `keep` wrote; arrays are read from their file where they are used, and a change of them stays here.

    Parameters
    ----------
    folder : path
        Written by a process that was started from here: a pickle of anybody else may do anything.
    """
    sizes, body = pickle.loads((folder / TABLES).read_bytes())
    with (folder / ARRAYS).open("rb") as file:
        whole = memoryview(mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_COPY))
    buffers, at = [], LINE
    for size in sizes:
        buffers.append(whole[at : at + size])
        at += size + -size % LINE
    return pickle.loads(body, buffers=buffers)


def beside(call: Callable[[], T]) -> Future[T]:
    """Do something in a thread that does not keep the program from ending.

    Parameters
    ----------
    call : callable()

    Returns
    -------
    concurrent.futures.Future
    """
    found: Future[T] = Future()

    def work() -> None:
        try:
            found.set_result(call())
        except BaseException as error:  # whoever asks for the result is told
            found.set_exception(error)

    Thread(target=work, daemon=True).start()
    return found


def main() -> int:
    """Measure the session that the first argument names under the plan on standard input, and keep it in a folder (the second),
    so many steps behind other programs (the third)."""
    from sts.review.standing import Standing
    from sts.session import Session

    if hasattr(os, "nice"):
        os.nice(int(sys.argv[3]))
    plan = Plan.model_validate_json(sys.stdin.read())
    try:
        keep(Standing(Session.open(sys.argv[1]), plan), Path(sys.argv[2]))
    except ValueError as error:
        print(error, file=sys.stderr)
        return REFUSED
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
