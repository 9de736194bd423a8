"""The decision on the page: keep, omit with a reason, undo, next; by mouse and by keys that the plan may change."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from bokeh.layouts import row
from bokeh.models import Button, Select, TextInput

from sts.review.look import button, safe, styled, text_box

KEYS_JS = """
document.addEventListener("keydown", event => {
  const target = event.composedPath()[0];
  if (event.ctrlKey || event.metaKey || event.altKey || event.isComposing) { return; }
  const writing = target.matches && target.matches("input:not([type=checkbox]), textarea, select");
  if (writing) { if (event.key === "Escape") { target.blur(); } return; }
  if (!keys.includes(event.key)) { return; }
  event.preventDefault();
  pressed.value = event.key + " " + Date.now() + Math.random();
});
"""
OWN_WORDS = "in my own words"
LOOKED = "looked at, nothing wrong with it"
_WORDS = {
    "keep": "Keep", "omit": "Omit", "undo": "Undo", "following": "Next", "previous": "Previous", "site": "All of this site",
}  # fmt: skip


class Window(Protocol):
    """What this part needs of the page."""

    sweep: str
    desk: Any
    many: Any

    def say(self, words: str, *, refused: bool = False) -> None: ...
    def step(self, by: int) -> None: ...
    def decide(self, sweeps: Any, action: str, why: str = "") -> None: ...


class DecisionView:
    """Buttons, the reason, and the keys.

    Parameters
    ----------
    page : Page
    """

    def __init__(self, page: Window) -> None:
        self.page = page
        self.done: dict[str, Callable[[], None]] = {
            "keep": lambda: self.decide("keep"), "omit": lambda: self.decide("omit"), "undo": lambda: self.decide("undo"),
            "following": lambda: page.step(1), "previous": lambda: page.step(-1), "site": lambda: page.many.turn(),
        }  # fmt: skip
        named = page.desk.plan.review
        self.keys = {getattr(named, name): call for name, call in self.done.items()}
        self.buttons: dict[str, Button] = {
            name: button(f"{_WORDS[name]}  [{getattr(named, name)}]", call, name=name, min_width=88)
            for name, call in self.done.items()
        }
        for name in ("keep", "omit", "undo"):
            self.buttons[name].disabled = page.desk.read_only
        self.offered = Select(
            title="Reason",
            name="offered",
            options=[OWN_WORDS],
            value=OWN_WORDS,
            min_width=230,
            sizing_mode="stretch_width",
            stylesheets=[styled()],
        )
        self.own = TextInput(
            title="Or in my own words",
            name="reason",
            min_width=230,
            sizing_mode="stretch_width",
            stylesheets=[styled()],
        )
        self.about = text_box()
        wide = {"sizing_mode": "stretch_width"}
        wrapped = {**wide, "styles": {"flex-wrap": "wrap"}}
        self.parts = [row(*self.buttons.values(), **wrapped), row(self.offered, self.own, **wrapped), self.about]

    @property
    def why(self) -> str:
        """The reason as it is given: own words, then those of the flag that is chosen."""
        own = " ".join(self.own.value.split())
        return own or ("" if self.offered.value == OWN_WORDS else str(self.offered.value))

    def show(self, view: Any, reasons: list[str]) -> None:
        """Offer the words of a sweep's flags.

        Parameters
        ----------
        view : HeightView or BiasView
        reasons : list of str
        """
        self.offered.options = [*reasons, OWN_WORDS]
        self.offered.value = reasons[0] if reasons else OWN_WORDS
        self.own.value = ""
        self.buttons["undo"].disabled = self.page.desk.read_only or view.decided_by != "person"

    def decide(self, action: str) -> None:
        """Decide about the sweeps that are ticked, else about the one that is open.

        Parameters
        ----------
        action : str
        """
        if self.page.desk.read_only:
            self.page.say("This session is open for looking only; no decision can be kept.", refused=True)
            return
        sweeps = self.page.many.ticked or ([self.page.sweep] if self.page.sweep else [])
        why = self.why if action == "omit" else " ".join(self.own.value.split()) or LOOKED if action == "keep" else ""
        if action == "omit" and not why:
            self.about.text = (
                f"<p class=caution>{safe('To leave a sweep out, say why: choose a flag or write a reason.')}</p>"
            )
            self.page.say("A reason is missing; nothing was decided.", refused=True)
            return
        self.about.text = ""
        self.page.decide(sweeps, action, why)
