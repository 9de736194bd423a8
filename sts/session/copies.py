"""The same sweep under another file or comment: found by its numbers, so that it does not count as new data."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

ENDS = 8  # samples at either end that make a key; the whole is compared where two keys agree
_FACTORS = np.random.default_rng(8).integers(1, 2**63, 2 * ENDS, dtype=np.uint64) * 2 + 1
CLOSE = 1e-6  # of the largest value: more than rounding to other units does, less than any digit of a file


@dataclass(frozen=True, eq=False)
class Numbers:
    """The numbers of one sweep."""

    kind: str
    axis: np.ndarray  # (n,)
    signal: np.ndarray  # (n,) current, or lock-in where there is none


@dataclass
class KnownSweeps:
    """The ends of all sweeps of a session, and where each is."""

    _places: tuple[dict[int, list[Any]], dict[int, list[Any]]] = field(default_factory=lambda: ({}, {}))

    def add(self, keys: np.ndarray, places: Iterable[Any]) -> None:
        """Note sweeps.

        Parameters
        ----------
        keys : ndarray, shape (m, 2)
            As `keys_of` gives them.
        places : iterable, length m
            Where each is.
        """
        for pair, place in zip(keys.tolist(), places, strict=True):
            for of_end, key in zip(self._places, pair, strict=True):
                of_end.setdefault(key, []).append(place)

    def alike(self, keys: np.ndarray) -> list[tuple[int, Any]]:
        """The sweeps that share an end: which end (0 or 1), and where each is.

        Parameters
        ----------
        keys : ndarray, shape (2,)
            Of one sweep.
        """
        pairs = zip(self._places, keys.tolist(), strict=True)
        return [(end, place) for end, (of_end, key) in enumerate(pairs) for place in of_end.get(key, ())]


def keys_of(axis: np.ndarray, signal: np.ndarray) -> np.ndarray:
    """A number for either end of each sweep (m, 2): equal where axis and signal are, up to rounding.

    Parameters
    ----------
    axis : ndarray, shape (n,)
    signal : ndarray, shape (m, n)
    """
    points = min(ENDS, axis.size)
    block = np.zeros((len(signal), 2, 2, ENDS), np.float32)  # sweep, end, axis or signal, sample
    with np.errstate(over="ignore", invalid="ignore"):
        block[:, 0, 0, :points], block[:, 1, 0, :points] = axis[:points], axis[-points:]
        block[:, 0, 1, :points], block[:, 1, 1, :points] = signal[:, :points], signal[:, -points:]
    np.copyto(block, -1.0, where=block != block)
    block += np.float32(0)  # no -0
    bits = block.reshape(len(signal), 2, 2 * ENDS).view(np.uint32).astype(np.uint64)
    return np.asarray((bits * _FACTORS).sum(axis=2, dtype=np.uint64))


def relation(new: Numbers, old: Numbers, end: int) -> str:
    """``same``, ``part`` (all of the new sweep is in the old one), ``whole`` (the other way round), or "".

    Parameters
    ----------
    end : int
        Where they begin alike: 0 at the start of the axis, 1 at its end.
    """
    if new.kind != old.kind:
        return ""
    count = min(new.axis.size, old.axis.size)
    part = slice(None, count) if end == 0 else slice(-count, None)
    for a, b in ((new.axis, old.axis), (new.signal, old.signal)):
        limit = CLOSE * max(float(np.nanmax(np.abs(a), initial=0)), 1e-300)
        if not np.allclose(a[part], b[part], rtol=0, atol=limit, equal_nan=True):
            return ""
    if new.axis.size == old.axis.size:
        return "same"
    return "part" if count == new.axis.size else "whole"
