"""The list of what to look at next, on the page: filters, counts, rows that are drawn as they come into view."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd
from bokeh.layouts import column, row
from bokeh.models import (
    ColumnDataSource,
    CustomJS,
    DataTable,
    HTMLTemplateFormatter,
    InlineStyleSheet,
    Select,
    TableColumn,
    TextInput,
)

from sts.review.desk import Desk
from sts.review.look import safe, styled, text_box
from sts.review.worklist import Filters

ALL = "all"
KINDS = {"iv": "I(V)", "iz": "I(z)"}
_SHOWN = {"": "all", "unseen": "to look at", "used": "used", "out": "left out", "person": "decided by a person"}
# Rows that are in view keep what they showed, unless the table is told to draw them again.
AGAIN_JS = """
const view = Bokeh.index.find_one(table);
if (view && view.grid) { setTimeout(() => { view.updateGrid(); view.grid.invalidateAllRows(); view.grid.render(); }, 0); }
"""
ROWS_JS = """
const view = Bokeh.index.find_one(table);
if (view && view.grid) { setTimeout(() => { view.grid.invalidateAllRows(); view.grid.render(); }, 0); }
"""
WHOLE = '<span title="<%- value %>"><%- value %></span>'  # escaped; the whole text where the column cuts it
_LIST = """
:host { font-size: 13px; } .slick-cell { color: #1B1B1B; line-height: 26px; }
.slick-header-column { color: #1B1B1B; font-weight: 600; background: #F3F3F3; }
.slick-row.active .slick-cell, .slick-cell.selected { background: #CFE3F1 !important; }
.slick-cell.active { outline: 3px solid #0072B2; outline-offset: -3px; }
"""


class WorklistView:
    """The table and its filters; `chosen` is called with the sweep that a person picks."""

    def __init__(self, desk: Desk, chosen: Callable[[str], None]) -> None:
        self.desk, self.chosen = desk, chosen
        self.source = ColumnDataSource(data={name: [] for name in ("sweep", "state", "where", "why")})
        self.counts = text_box()
        self.text = TextInput(
            title="Find (name, flag, reason)", sizing_mode="stretch_width", stylesheets=[styled()], name="find"
        )
        self.shown = Select(
            title="Show", value="", options=list(_SHOWN.items()), stylesheets=[styled()], sizing_mode="stretch_width"
        )
        self.choices = {name: _select(name) for name in ("kind", "tip", "site", "flag")}
        self.offer()
        heads = [
            ("state", "", 46),
            ("sweep", "sweep", 150),
            ("why", "why it stands here", 260),
            ("where", "tip, site", 90),
        ]
        self.table = DataTable(
            source=self.source, columns=[
                TableColumn(field=f, title=t, width=w, sortable=False, formatter=HTMLTemplateFormatter(template=WHOLE))
                for f, t, w in heads
            ],
            height=430, sizing_mode="stretch_width", autosize_mode="none", row_height=28, index_position=None,
            reorderable=False, selectable=True, stylesheets=[InlineStyleSheet(css=_LIST)],
        )  # fmt: skip
        for widget in (self.text, self.shown, *self.choices.values()):
            widget.on_change("value", lambda attr, old, new: self.refresh())
        for change, code in (("data", AGAIN_JS), ("patching", ROWS_JS)):
            self.source.js_on_change(change, CustomJS(args={"table": self.table}, code=code))
        self.source.selected.on_change("indices", self._picked)
        self.sweeps: list[str] = []
        self._own = False
        pairs = list(self.choices.values())
        rows = (pairs[:2], pairs[2:], [self.shown, self.text])
        choices = column(*(row(*two, sizing_mode="stretch_width") for two in rows), sizing_mode="stretch_width")
        self.parts = [self.counts, choices, self.table]
        self.refresh()

    @property
    def filters(self) -> Filters:
        """What is asked for."""
        value = {name: "" if choice.value == ALL else choice.value for name, choice in self.choices.items()}
        shown = self.shown.value
        return Filters(
            **value,
            text=self.text.value.strip(),
            unseen=shown == "unseen",
            used=True if shown == "used" else False if shown == "out" else None,
            decided_by="person" if shown == "person" else "",
        )

    def offer(self) -> None:
        """Offer what the sweeps have to be filtered by."""
        for name, choice in self.choices.items():
            choice.options = [
                (ALL, ALL),
                *((value, KINDS.get(value, value)) for value in _values(self.desk.worklist, name)),
            ]

    def refresh(self, current: str = "") -> None:
        """Show the rows as they stand now, that of `current` marked.

        Parameters
        ----------
        current : str
            A sweep; that which is marked if not given.
        """
        current = current or self.marked
        rows = self.desk.filtered(self.filters)
        sweeps = rows["sweep"].tolist()
        data = {
            "state": [_state(*cells) for cells in zip(rows["looked"], rows["used"], rows["decided_by"], strict=True)],
            "where": [f"{tip or '–'}, {site or '–'}" for tip, site in zip(rows["tip"], rows["site"], strict=True)],
            "why": rows["why"].tolist(),
        }
        self._own = True
        if sweeps != self.sweeps:
            self.sweeps = sweeps
            self.source.data = {"sweep": sweeps, **data}
        elif changed := {name: cells for name in data if (cells := _changed(self.source.data[name], data[name]))}:
            self.source.patch(changed)
        self.source.selected.indices = [self.sweeps.index(current)] if current in self.sweeps else []
        self._own = False
        self._count()

    def looked(self, sweep: str) -> None:
        """Mark the row of a sweep as the one that is open, and as looked at.

        Parameters
        ----------
        sweep : str
        """
        self._count()
        if sweep not in self.sweeps:
            return
        at = self.sweeps.index(sweep)
        self._own = True
        state = str(self.source.data["state"][at])
        if state.startswith("○"):
            self.source.patch({"state": [(at, "●" + state[1:])]})
        self.source.selected.indices = [at]
        self._own = False

    def why(self, sweep: str) -> str:
        """Why a sweep stands where it stands; nothing if it is not in the list.

        Parameters
        ----------
        sweep : str
        """
        return str(self.source.data["why"][self.sweeps.index(sweep)]) if sweep in self.sweeps else ""

    @property
    def marked(self) -> str:
        """The sweep whose row is marked; nothing if none is."""
        at = self.source.selected.indices
        return self.sweeps[at[0]] if at and at[0] < len(self.sweeps) else ""

    def beside(self, sweep: str, step: int) -> str:
        """The sweep `step` rows further down; the first where `sweep` is not in the list, itself at an end.

        Parameters
        ----------
        sweep : str
        step : int
        """
        if not self.sweeps:
            return sweep
        if sweep not in self.sweeps:
            return self.sweeps[0]
        return self.sweeps[min(max(self.sweeps.index(sweep) + step, 0), len(self.sweeps) - 1)]

    def _picked(self, _name: str, _old: Any, new: list[int]) -> None:
        if new and not self._own and new[0] < len(self.sweeps):
            self.chosen(self.sweeps[new[0]])

    def _count(self) -> None:
        done, total = self.desk.looked_at
        self.counts.text = (
            f"<p><b>{done}</b> looked at, <b>{total - done}</b> to look at; {len(self.sweeps)} in the list.<br>"
            f"{safe('● looked at  ○ not yet  ✕ left out  ✎ decided by a person')}</p>"
        )


def _state(looked: bool, used: bool, by: str) -> str:
    return ("●" if looked else "○") + ("" if used else "✕") + ("✎" if by == "person" else "")


def _changed(old: Any, new: list[str]) -> list[tuple[int, str]]:
    """Row and text of the cells that are others: a decision touches few of thousands."""
    return [(row, text) for row, (was, text) in enumerate(zip(old, new, strict=True)) if was != text]


def _values(known: pd.DataFrame, name: str) -> list[str]:
    if name == "flag":
        return sorted({flag for flags in known["flags"].unique() for flag in flags.split(";") if flag})
    return [value for value in known[name].unique() if value]


def _select(name: str) -> Select:
    return Select(title=name.capitalize(), value=ALL, sizing_mode="stretch_width", stylesheets=[styled()])
