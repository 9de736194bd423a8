"""Tables without names above their columns: what the numbers look like, and what they might be. Only a proposal."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sts.loaders.loaded import UnreadableFile
from sts.loaders.patterns import fits


class BareColumns(UnreadableFile):
    """A table without names above its columns."""

    width = 0  # columns


class AmbiguousComma(UnreadableFile):
    """A comma that may be a decimal mark, or something else."""


def bare_columns(values: Sequence[np.ndarray], place: str = "") -> BareColumns:
    """The refusal of a table (k columns (n,)) that nothing names, with what it looks like.

    Parameters
    ----------
    values : sequence of ndarray, shape (n,)
        The columns, as written.
    place : str
        Of the table in its file.
    """
    values = [v if v.dtype.kind in "fiu" else np.full(v.shape, np.nan) for v in values]
    looks = "; ".join(f"{i}: {range_of(column)}" for i, column in enumerate(values[:6], 1))
    proposal = ", ".join(proposed_columns(values))
    return BareColumns(
        f"no line above the numbers names the {len(values)} columns ({looks}). Perhaps --columns '{proposal}'? Say so on "
        "import if that is what they are; or put a line of names above the numbers, or column_names = [...] into a recipe.",
        place=place,
        width=len(values),
    )


def range_of(column: np.ndarray) -> str:
    """From where to where numbers (n,) run, in words.

    Parameters
    ----------
    column : ndarray, shape (n,)
    """
    known = column[np.isfinite(column)]
    if not known.size:
        return "no numbers"
    steps = np.diff(known)
    even = known.size > 2 and (np.allclose(steps, steps.mean(), rtol=1e-3, atol=0) and steps.any())
    return f"{known[0]:.4g} to {known[-1]:.4g} in even steps" if even else f"{known.min():.4g} to {known.max():.4g}"


def propose_array(values: np.ndarray, signal: np.ndarray | None = None) -> tuple[str, str]:
    """What an array (n,) might be and its unit: an axis over which `signal` was recorded, else a current.

    Parameters
    ----------
    values : ndarray, shape (n,)
        As written, in any unit.
    signal : ndarray, shape (n,), optional
        What may have been recorded over it.
    """
    name = signal_name(values) if signal is None else axis_name(values, signal)
    word, unit = name.rstrip(")").split(" (")
    return {"V": "bias", "z": "height", "I": "current"}[word], unit


def runs_one_way(column: np.ndarray) -> bool:
    """Whether numbers (n,) go one way, or there and back.

    Parameters
    ----------
    column : ndarray, shape (n,)
    """
    steps = np.sign(np.diff(column))
    steps = steps[steps != 0]
    return bool(steps.size > 1 and np.count_nonzero(np.diff(steps)) <= 1)


def proposed_columns(values: Sequence[np.ndarray]) -> list[str]:
    """Names for columns by their size and course; ``"-"`` where none is proposed.

    Parameters
    ----------
    values : sequence of ndarray, shape (n,)
        The columns, as written.
    """
    values = [v if v.dtype.kind in "fiu" else np.full(v.shape, np.nan) for v in values]
    names = ["-"] * len(values)
    course = [runs_one_way(column) for column in values]
    axis = course.index(True) if True in course else 0
    signal = next((i for i in range(len(values)) if i != axis), None)
    if signal is not None:
        names[axis] = axis_name(values[axis], values[signal])
        names[signal] = signal_name(values[signal])
    return names


def signal_name(values: np.ndarray) -> str:
    """A name with its unit for numbers (n,) taken for a current, by their size.

    Parameters
    ----------
    values : ndarray, shape (n,)
        As written.
    """
    return f"I ({_unit(values, (('A', 1e-6), ('nA', 1e2), ('pA', np.inf)))})"


def axis_name(axis: np.ndarray, signal: np.ndarray) -> str:
    """A name with its unit for numbers (n,) taken for an axis, by their size and by whether the signal decays over it.

    Parameters
    ----------
    axis, signal : ndarray, shape (n,)
        As written.
    """
    low, high = float(np.fmin.reduce(axis)), float(np.fmax.reduce(axis))
    level = np.abs(signal[np.isfinite(signal)])
    tenth = max(1, level.size // 10)
    ends = (np.median(level[:tenth]), np.median(level[-tenth:])) if level.size else (0, 0)
    decays = min(ends) > 0 and max(ends) / min(ends) > 3 and low * high >= 0
    if high - low < 1e-6:
        return "z (m)"
    if decays:
        return f"z ({_unit(np.array([high - low]), (('nm', 20), ('pm', np.inf)))})"
    return f"V ({_unit(axis, (('V', 20), ('mV', np.inf)))})"


def _unit(values: np.ndarray, table: Sequence[tuple[str, float]]) -> str:
    most = float(np.nanmax(np.abs(values), initial=0.0))
    return next(unit for unit, largest in table if most <= largest)


@dataclass(frozen=True)
class NamedColumns:
    """Names for the columns of files that have none, as said on import."""

    names: tuple[str, ...]
    pattern: str = ""  # of files; "": all

    def speaks_of(self, path: str) -> bool:
        """Whether it speaks of a file.

        Parameters
        ----------
        path : str
            Folder and name.
        """
        return not self.pattern or fits(path, self.pattern)


def named_columns(text: str) -> NamedColumns:
    """Names from a text such as ``V (V), I (A)`` or ``c_z*: z (nm), I (pA)``; ``-`` for a column that is not used.

    Parameters
    ----------
    text : str
        As given on the command line.

    Raises
    ------
    ValueError
        If it names fewer than two columns.
    """
    match = re.fullmatch(r"\s*(?:(?P<pattern>[^:()\[\]]+):)?\s*(?P<names>.+?)\s*", text)
    names = tuple(part.strip() for part in re.split(r",(?![^(\[]*[)\]])", match["names"])) if match else ()
    if match is None or len(names) < 2:
        raise ValueError(
            f"'{text}' does not name two columns; say for example 'V (V), I (A)', or with a pattern of files before it "
            "'c_z*: z (nm), I (pA)'."
        )
    return NamedColumns(tuple("" if n == "-" else n for n in names), (match["pattern"] or "").strip())
