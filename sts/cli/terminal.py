"""What the commands print: tables, notes, progress. Everything goes through here, so that it reads alike."""

from __future__ import annotations

import json
import math
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Literal

import click

from sts.cli.summed import MOST_ROWS, Format, summed, too_long

if TYPE_CHECKING:
    import pandas as pd
    from rich.table import Table

FILE_WIDTH = 200  # columns when the output goes to a file or a pipe


_UNSEEN = re.compile(  # control characters, what turns the direction of a line, what has no width, halves of characters
    r"[\x00-\x09\x0b-\x1f\x7f-\x9f\xad\u061c\u180e\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb\ud800-\udfff"
    r"\U000e0000-\U000e007f]"
)


def _escaped(found: re.Match[str]) -> str:
    code = ord(found[0])
    if 0xDC80 <= code <= 0xDCFF:  # how Python keeps a byte of a path that is not UTF-8
        return f"\\x{code - 0xDC00:02x}"
    return found[0].encode("unicode_escape").decode("ascii")


def seen(text: str) -> str:
    r"""Text of which a terminal shows everything: what it would obey or hide is written out, such as ``\x1b``; lines stay."""
    return _UNSEEN.sub(_escaped, text)


def say(text: str) -> None:
    """Text on standard output."""
    click.echo(seen(text))


def warn(text: str) -> None:
    """Text on standard error, which machines that read standard output do not see."""
    click.echo(seen(text), err=True)


def print_json(value: Any) -> None:
    """JSON on standard output; unknown numbers become null, what a terminal would obey is escaped as JSON does."""
    written = json.dumps(_plain(value), indent=2, ensure_ascii=False)
    click.echo(_UNSEEN.sub(lambda found: json.dumps(found[0])[1:-1], written))


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if hasattr(value, "to_dict") and hasattr(value, "columns"):
        return [_plain(row) for row in value.to_dict(orient="records")]
    if hasattr(value, "item"):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value


def print_table(
    title: str,
    headings: Sequence[str],
    rows: Iterable[Iterable[str]],
    *,
    right: Iterable[int] = (),
    spare: Sequence[int] = (),
) -> None:
    """A table; `right` names the columns with numbers. Long cells fold, none is cut; names stay whole for copying.

    Where the terminal is too narrow, the `spare` columns go, one after the other, and a line says which.
    """
    from rich.cells import cell_len
    from rich.console import Console
    from rich.measure import measure_renderables

    console = Console(width=None if sys.stdout.isatty() else FILE_WIDTH, highlight=False, markup=False, emoji=False)
    title, headings = _cell(title), [_cell(heading) for heading in headings]
    cells = [[_cell(str(cell)) for cell in row] for row in rows]
    if len(cells) > 2 * MOST_ROWS:
        _write_long(title, headings, cells, set(right))
        return
    widest = [max(column, key=cell_len) for column in zip(*cells, strict=True)]
    gone: list[int] = []
    while True:
        sample = _table(title, headings, [widest] if widest else [], set(right), gone)
        needed = measure_renderables(console, console.options.update(max_width=10_000), [sample]).maximum
        if needed <= console.width or len(gone) == len(spare):
            break
        gone.append(spare[len(gone)])
    console.print(_table(title, headings, cells, set(right), gone))
    if gone:
        say(f"Not shown at this width: {', '.join(headings[i] for i in sorted(gone))}.")


def _write_long(title: str, headings: Sequence[str], cells: Sequence[Sequence[str]], right: set[int]) -> None:
    """A long table as `print_table` writes it, a hundred times faster: nothing folds, and no column goes."""
    from rich.cells import cell_len

    columns = list(zip(headings, *cells, strict=True))
    for i, column in enumerate(columns):
        lengths = [len(cell) if cell.isascii() else cell_len(cell) for cell in column]
        width = max(lengths)
        room = [" " * (width - length) for length in lengths]
        pairs = zip(column, room, strict=True)
        columns[i] = tuple(space + cell if i in right else cell + space for cell, space in pairs)
    head, *lines = (f" {'  '.join(row)} " for row in zip(*columns, strict=True))
    rule = f" {'─' * (cell_len(head) - 2)} "
    click.echo("\n".join([*([title] if title else []), "", head, rule, *lines, ""]))


def _cell(text: str) -> str:
    return seen(text).replace("\n", r"\n")


def _table(
    title: str, headings: Sequence[str], cells: Sequence[Sequence[str]], right: set[int], gone: Sequence[int]
) -> Table:
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    table = Table(
        title=title or None, title_justify="left", title_style="bold", box=SIMPLE_HEAD, pad_edge=False,
        collapse_padding=True,
    )  # fmt: skip
    shown = [i for i in range(len(headings)) if i not in gone]
    for i in shown:
        justify: Literal["right", "left"] = "right" if i in right else "left"
        table.add_column(headings[i], justify=justify, overflow="fold", no_wrap=i == 0)
    for row in cells:
        table.add_row(*(row[i] for i in shown))
    return table


Columns = Mapping[str, tuple[str, Format]]  # column of a frame: its heading, and how its cells are written


def print_frame(title: str, frame: pd.DataFrame, columns: Columns, *, spare: Sequence[str] = ()) -> None:
    """These columns of a frame as a table, numbers at the right; `spare` names those that may go, first to last.

    A frame of very many rows is summed up, and a line says so.
    """
    names, forms = list(columns), {name: form for name, (_, form) in columns.items()}
    if too_long(len(frame)):
        names, lines, words = summed(frame, names, list(forms.values()))
    else:
        words, lines = (
            "",
            list(map(list, zip(*([form(v) for v in frame[n]] for n, form in forms.items()), strict=True))),
        )
    headings = ["rows" if name == "" else columns[name][0] for name in names]
    right = [i for i, name in enumerate(names) if forms.get(name) not in (text, yes)]
    print_table(title, headings, lines, right=right, spare=[names.index(name) for name in spare if name in names])
    if words:
        say(words)


def show(frame: pd.DataFrame, columns: Columns, *, as_json: bool, none: str, last: str = "") -> None:
    """All that was asked for: JSON, or a table with a `last` line, or a sentence where there are no rows."""
    if as_json:
        print_json(frame)
    elif frame.empty:
        say(none)
    else:
        print_frame("", frame, columns)
        if last:
            say(last)


def text(value: Any) -> str:
    """Text as it is; unknown is a dash."""
    return "-" if value is None or value == "" or (isinstance(value, float) and math.isnan(value)) else str(value)


def number(digits: int, scale: float = 1.0) -> Format:
    """A format for numbers with so many decimals, scaled; unknown is a dash."""

    def form(value: Any) -> str:
        return f"{value * scale:.{digits}f}" if isinstance(value, (int, float)) and math.isfinite(value) else "-"

    return form


def size(unit: str, digits: int = 3) -> Format:
    """A format for a number with its unit, the prefix by its size; unknown is a dash."""

    def form(value: Any) -> str:
        from sts.quantities import with_prefix

        return with_prefix(value, unit, digits) if isinstance(value, (int, float)) and math.isfinite(value) else "-"

    return form


def probability(value: Any) -> str:
    """A p value; below a ten-thousandth only that is said."""
    return "< 0.0001" if isinstance(value, float) and value < 1e-4 else number(4)(value)


def count(number: int, thing: str) -> str:
    """``1 file``, ``2 files``."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def yes(value: Any) -> str:
    """Yes or no."""
    return "yes" if value else "no"


@contextmanager
def progress(task: str) -> Iterator[Callable[[int, int], None]]:
    """A bar on standard error for work that may last; the function takes (done, total).

    Only a terminal shows it: a log file is not filled with half-drawn bars.
    """
    if not sys.stderr.isatty():
        yield lambda done, total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        handle = bar.add_task(task, total=None)
        yield lambda done, total: bar.update(handle, completed=done, total=total)
