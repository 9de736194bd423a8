"""Spectra found by what they are called."""

from __future__ import annotations

import difflib
from collections.abc import Sequence


class UnknownName(KeyError, ValueError):
    """A name that fits nothing, or several where one was asked for; the text says what there is."""

    def __str__(self) -> str:
        return str(self.args[0])


def positions(wanted: str, labels: Sequence[str], *, one: bool = False) -> list[int]:
    """Positions of the labels that a name fits.

    Parameters
    ----------
    wanted : str
        A whole label, or parts of it between commas, such as ``"graphite, A"`` for ``"graphite, A, 500 pA"``.
    labels : sequence of str
    one : bool
        Whether it must be one.

    Raises
    ------
    UnknownName
        If none fits, with those near to it, or several where one is asked for.

    >>> positions("graphite, A", ["graphite, A, 500 pA", "graphite, B, 500 pA"])
    [0]
    """
    found = [i for i, label in enumerate(labels) if label == wanted]
    if not found:
        parts = _parts(wanted)
        found = [i for i, label in enumerate(labels) if parts and parts <= _parts(label)]
    if not found:
        folded = {label.casefold(): label for label in labels}
        word = wanted.strip().casefold()
        near = [label for name, label in folded.items() if word and word in name]
        near = near or [folded[n] for n in difflib.get_close_matches(word, folded, n=3, cutoff=0.4)]
        words = f"near to it: {'; '.join(near)}" if near else f"there is: {'; '.join(labels) or 'none'}"
        raise UnknownName(f"no spectrum is called '{wanted}'; {words}.")
    if one and len(found) > 1:
        fitting = "; ".join(labels[i] for i in found)
        raise UnknownName(f"'{wanted}' fits {len(found)} spectra; name one of them: {fitting}.")
    return found


def _parts(text: str) -> set[str]:
    return {" ".join(part.split()).casefold() for part in text.split(",") if part.strip()}
