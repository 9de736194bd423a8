"""Tables too long to be read on a screen are summed up by tip and site, unless every row is asked for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    import pandas as pd

MOST_ROWS = 200  # that are printed one by one unless all are asked for
MOST_KINDS = 3  # of words that a cell names, with how often each stands there
_BY = (("sample", "tip", "tip_a", "site", "kind"), ("sample", "tip", "tip_a", "kind"), ("sample", "kind"))
Format = Callable[[Any], str]
_ASKED = "sts.all"  # in the memory of the command


def _remember(context: click.Context, _: click.Parameter, value: bool) -> None:
    context.meta[_ASKED] = value


ALL = click.option(
    "--all", is_flag=True, expose_value=False, callback=_remember,
    help=f"Print every row; else more than {MOST_ROWS} are summed up by tip and site.",
)  # fmt: skip


def too_long(rows: int) -> bool:
    """Whether a table of so many rows is to be summed up: the command has the option `ALL`, and it was not given."""
    context = click.get_current_context(silent=True)
    return rows > MOST_ROWS and context is not None and not context.meta.get(_ASKED, True)


def summed(
    frame: pd.DataFrame, columns: Sequence[str], formats: Sequence[Format]
) -> tuple[list[str], list[list[str]], str]:
    """A long table in at most `MOST_ROWS` lines: one for each sample, tip, site and kind, or its first and last rows.

    Numbers are told from lowest to highest, words by how often each is there. Where there are too many sites they share a
    line, then tips do. Names that differ in every row are left out.

    Parameters
    ----------
    frame : pandas.DataFrame
    columns : sequence of str
        Those that are printed.
    formats : sequence of callable
        How the cells of each are written.

    Returns
    -------
    columns : list of str
        Of the lines; the first is ``""``, the number of rows, where they are summed up.
    lines : list of list of str
    words : str
        What was done.
    """
    for labels in _BY:
        by = [name for name in labels if name in columns]
        groups = frame.groupby(by, sort=False, dropna=False) if by else None
        if groups is not None and groups.ngroups <= MOST_ROWS:
            told = [c for c in columns if c in by or frame[c].dtype.kind != "O" or frame[c].nunique() < len(frame)]
            forms = dict(zip(columns, formats, strict=True))
            lines = [[str(len(group)), *(_cell(group[c], forms[c]) for c in told)] for _, group in groups]
            named = " and ".join(filter(None, (", ".join(by[:-1]), by[-1])))
            return ["", *told], lines, f"{len(frame)} rows, summed up by {named}; --all prints each."
    half = MOST_ROWS // 2
    ends = [[form(value) for form, value in zip(formats, row, strict=True)]
            for part in (frame.head(half), frame.tail(half)) for row in part[list(columns)].itertuples(index=False)]  # fmt: skip
    gap = ["..." for _ in columns]
    words = f"{len(frame)} rows, of which the first and last {half} are shown; --all prints each."
    return list(columns), [*ends[:half], gap, *ends[half:]], words


def _cell(values: pd.Series[Any], form: Format) -> str:
    """What a column holds: one value, from lowest to highest, or the most frequent words."""
    if values.dtype.kind in "fiu":
        low, high = form(values.min().item()), form(values.max().item())  # numbers of Python, as formats take them
        return low if low == high else f"{low} to {high}"
    counts = values.map(form).value_counts()
    if len(counts) == 1:
        return str(counts.index[0])
    if len(counts) > MOST_KINDS and counts.iloc[0] < len(values) / 10:
        return f"{len(counts)} different"
    shown = [f"{word} ({number})" for word, number in counts.iloc[:MOST_KINDS].items()]
    return ", ".join(shown) + (f", {len(counts) - MOST_KINDS} more" if len(counts) > MOST_KINDS else "")
