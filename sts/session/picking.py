"""Picking sweeps by names and labels, and saying what there is where none fits."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import pandas as pd

from sts.session.tables import SessionError
from sts.sweeps import KINDS


def check_kind(kind: str | None) -> None:
    """Refuse a kind of sweep that there is not.

    Parameters
    ----------
    kind : str or None

    Raises
    ------
    SessionError
    """
    if kind is not None and kind not in KINDS:
        raise SessionError(f"'{kind}' is no kind of sweep; use {' or '.join(KINDS)}.")


def given(sample: str | None, tip: str | None, site: str | None) -> dict[str, str]:
    """The labels that were given.

    Parameters
    ----------
    sample, tip, site : str or None
    """
    return {column: v for column, v in (("sample", sample), ("tip", tip), ("site", site)) if v is not None}


def fitting(table: pd.DataFrame, labels: Mapping[str, str]) -> np.ndarray:
    """Which rows have all of these labels (m,).

    Parameters
    ----------
    table : pandas.DataFrame
        Of m sweeps.
    labels : mapping
        Column to value.
    """
    fits = np.ones(len(table), bool)
    for column, value in labels.items():
        fits &= (table[column] == value).to_numpy(bool)
    return fits


def words(patterns: Sequence[str], labels: Mapping[str, str]) -> str:
    """Patterns and labels in words, for an error.

    Parameters
    ----------
    patterns : sequence of str
    labels : mapping
    """
    return " and ".join([*map(repr, patterns), *(f"{column} {value!r}" for column, value in labels.items())])


def check(parts: Sequence[pd.DataFrame], labels: Mapping[str, str], sweeps: Sequence[str] | None) -> None:
    """Refuse labels and names that no table has.

    Parameters
    ----------
    parts : sequence of pandas.DataFrame
        Tables of sweeps.
    labels : mapping
        Column to value.
    sweeps : sequence of str or None
        Names.

    Raises
    ------
    SessionError
        With what there is.
    """
    for column, value in labels.items():
        known = sorted({v for table in parts for v in table[column].unique()} - {""})
        if value not in known:
            raise SessionError(f"no such {column} '{value}'; this session has {_listed(known) or 'none named'}.")
    names = {name for table in parts for name in table["sweep"]}
    for sweep in sweeps or ():
        if sweep not in names:
            raise SessionError(f"no such sweep '{sweep}'{near(sweep, names, 'sts list')}.")


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "")


def near(name: str, known: Iterable[str], command: str) -> str:
    """Where to look when a name is not known: names near to it, else the command that lists all.

    Parameters
    ----------
    name : str
    known : iterable of str
    command : str
    """
    close = difflib.get_close_matches(name, list(known)[:20000], n=3)
    return f"; near to it: {', '.join(close)}" if close else f"; '{command}' shows what there is"
