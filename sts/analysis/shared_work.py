"""Calls of one function shared with a process beside this one: two at a time, in the memory of two."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from threading import Thread
from typing import Any

from sts.processes import start_python

FEWEST = 4  # calls below which starting another process takes longer than it saves


@dataclass(frozen=True)
class Failed:
    """What a call had to say instead of a result."""

    why: str


def share(
    function: Callable[..., Any], calls: Sequence[tuple[Any, ...]], *, beside: bool = True,
    done: Callable[[int], None] | None = None,
) -> list[Any]:  # fmt: skip
    """The result of each call, or `Failed`, in their order.

    Parameters
    ----------
    function : callable
        Of a module, so that another process finds it by its name.
    calls : sequence of tuple
        Arguments of each call.
    beside : bool
        Whether another process may help.
    done : callable(count), optional
        Told after each call how many are done.
    """
    waiting, found = deque(enumerate(calls)), dict[int, Any]()
    tell = done or (lambda count: None)
    helper = Thread(target=_hand_over, args=(function, waiting, found), daemon=True)
    helped = beside and len(calls) >= FEWEST and (os.cpu_count() or 1) > 1
    if helped:
        helper.start()
    while True:
        try:
            number, arguments = waiting.popleft()
        except IndexError:
            if helped and helper.is_alive():
                helper.join()
                continue  # it may have given one back
            break
        found[number] = attempt(function, arguments)
        tell(len(found))
    return [found[number] for number in range(len(calls))]


def attempt(function: Callable[..., Any], arguments: tuple[Any, ...]) -> Any:
    """The result of a call, or `Failed` with its words.

    Parameters
    ----------
    function : callable
    arguments : tuple
    """
    try:
        return function(*arguments)
    except (ValueError, OSError) as error:  # what the library says to its user, in words
        return Failed(str(error))
    except MemoryError as error:
        return Failed(f"not enough memory ({error}). Close other programs, or take fewer sessions at a time.")
    except Exception as error:
        if os.environ.get("STS_TRACEBACK"):
            raise
        return Failed(f"{type(error).__name__}: {error}. This is a bug in sts, not your mistake.")


def _hand_over(
    function: Callable[..., Any], waiting: deque[tuple[int, tuple[Any, ...]]], found: dict[int, Any]
) -> None:
    """Let another process do calls as long as there are some; one that it leaves undone is given back."""
    code = "from sts.analysis.shared_work import main; main()"
    process = start_python("-c", code, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        while waiting:
            try:
                one = waiting.pop()
            except IndexError:  # the other thread was faster
                break
            try:
                pickle.dump((function, one[1]), process.stdin)
                process.stdin.flush()
                found[one[0]] = pickle.load(process.stdout)
            except (OSError, EOFError, pickle.UnpicklingError):
                waiting.append(one)
                break
    finally:
        process.kill()
        process.communicate()


def main() -> None:
    """Do the calls that come on standard input, one after the other; results go to standard output."""
    out = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # whatever is printed does not stand among the results
    while True:
        try:
            function, arguments = pickle.load(sys.stdin.buffer)
        except EOFError:
            return
        pickle.dump(attempt(function, arguments), out)
        out.flush()
