"""Work shared with a second process: results in their order, failures in words, nothing lost when the other process dies."""

from __future__ import annotations

import math
import operator
import os

import pytest

from sts.analysis import shared_work
from sts.analysis.shared_work import FEWEST, Failed, attempt, share


def test_results_come_in_the_order_of_the_calls():
    told = []
    found = share(operator.add, [(i, 10) for i in range(2 * FEWEST)], done=told.append)
    assert found == [i + 10 for i in range(2 * FEWEST)]
    assert told == sorted(told)


@pytest.mark.parametrize("beside", [True, False])
def test_a_call_that_fails_says_why_and_stops_no_other(beside):
    found = share(math.sqrt, [(4.0,), (-1.0,)] * FEWEST, beside=beside)
    assert found[::2] == [2.0] * FEWEST
    assert all(isinstance(one, Failed) and "math domain error" in one.why for one in found[1::2])


def test_a_bug_is_called_one(monkeypatch):
    monkeypatch.delenv("STS_TRACEBACK", raising=False)
    assert "ZeroDivisionError" in attempt(operator.truediv, (1, 0)).why
    assert "bug in sts" in attempt(operator.truediv, (1, 0)).why
    monkeypatch.setenv("STS_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        attempt(operator.truediv, (1, 0))


def test_want_of_memory_is_no_bug():
    def too_much() -> None:
        raise MemoryError("Unable to allocate 9 GiB")

    assert attempt(too_much, ()).why.startswith("not enough memory (Unable to allocate 9 GiB)")


def _end_unless(main: int) -> int:
    """The process id, of the process `main` only: any other ends at once."""
    if os.getpid() != main:
        os._exit(3)
    return main


def test_calls_of_a_process_that_died_are_done_here(monkeypatch):
    monkeypatch.setenv("PYTHONPATH", os.path.dirname(os.path.dirname(__file__)))
    calls = [(os.getpid(),)] * FEWEST
    assert shared_work.share(_end_unless, calls) == [os.getpid()] * FEWEST
