"""Work block by block: a few arrays of a block stay in the processor's cache. Results are frozen, and cut and joined here."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import fields, is_dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Rows = NDArray[np.int64]  # numbers of sweeps, or counts
Mask = NDArray[np.bool_]
Result = TypeVar("Result")

BLOCK_VALUES = 1 << 16  # samples worked on at a time


def blocks(sweeps: int, points: int) -> Iterator[slice]:
    """The rows of consecutive blocks, of about `BLOCK_VALUES` samples each.

    Parameters
    ----------
    sweeps, points : int
        Number of sweeps, and of samples of each.
    """
    size = max(1, BLOCK_VALUES // points)
    for first in range(0, sweeps, size):
        yield slice(first, min(first + size, sweeps))


def take(result: Result, rows: Any) -> Result:
    """A result about some of its sweeps.

    Parameters
    ----------
    result : dataclass
        Of arrays whose first axis is that of the sweeps, and of dataclasses of such arrays.
    rows : index
        A slice, positions (k,) or a mask (m,).
    """
    return _mapped([result], lambda parts: parts[0][rows])


def joined(parts: Sequence[Result]) -> Result:
    """One result about the sweeps of several.

    Parameters
    ----------
    parts : sequence of dataclasses
        As for `take`, in order.
    """
    return _mapped(parts, np.concatenate)


def replaced(result: Result, rows: Any, other: Result) -> Result:
    """A result with what it says of some sweeps taken from another.

    Parameters
    ----------
    result, other : dataclasses
        As for `take`; `other` is about the sweeps of `rows`.
    rows : ndarray of int, shape (k,)
    """

    def put(parts: Sequence[Any]) -> Any:
        values = parts[0].copy()
        values[rows] = parts[1]
        return values

    return _mapped([result, other], put)


def _mapped(parts: Sequence[Result], change: Any) -> Result:
    """A result whose arrays are what `change` makes of those of the parts."""
    if not is_dataclass(parts[0]):
        changed: Result = change(parts)
        return changed
    kind: Any = type(parts[0])
    made: Result = kind(*(_mapped([getattr(part, f.name) for part in parts], change) for f in fields(kind)))
    return made
