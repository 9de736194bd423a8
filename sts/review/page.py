"""The page of a review: a document for each window, all of them about one desk; long work is done beside it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any

from bokeh.core.templates import get_env
from bokeh.document import Document
from bokeh.models import CustomJS, TextInput

from sts.review.answer_view import AnswerView
from sts.review.decision_view import KEYS_JS, DecisionView
from sts.review.desk import Desk
from sts.review.heading import heading_of
from sts.review.listed import MEASURING
from sts.review.look import safe, text_box
from sts.review.many_view import ManyView
from sts.review.out_view import OutView
from sts.review.plots_bias import BiasPlots
from sts.review.plots_height import HeightPlots
from sts.review.settings_view import NAMED_JS, SettingsView
from sts.review.window_view import WindowView
from sts.review.worklist_view import WorklistView

NEWS_MS = 1500  # how often the file is looked at for changes from outside
LOOKS_EACH = 8  # such looks between writings of what was looked at
BESIDE = 60  # curves behind a sweep at most
LOOKING = "This session is open for looking only; no decision can be kept."
LOST_JS = "document.querySelector('header h1').textContent += ' - not connected any more; run sts review again';"


class Review:
    """What all windows of a review share.

    Parameters
    ----------
    desk : Desk
    """

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.pages: list[Page] = []
        self.made: Path | None = None  # the page of the last report
        self._hand = ThreadPoolExecutor(1, thread_name_prefix="desk")  # one change after the other
        if desk.standing is not None:
            desk.standing.add_done_callback(self._measured)

    @property
    def notes(self) -> tuple[str, ...]:
        """What is told beside the address."""
        listed = f"{self.desk.path.name}: {len(self.desk.worklist)} sweeps."
        return (listed, LOOKING) if self.desk.read_only else (listed,)

    def build(self, doc: Document) -> None:
        """Fill a document.

        Parameters
        ----------
        doc : bokeh.document.Document
        """
        page = Page(self, doc)
        self.pages.append(page)
        if page.listed and not self.desk.measuring:  # measured while it was made
            page.measured()
        if len(self.pages) > 1:
            for one in self.pages:
                one.beside(len(self.pages))
        doc.on_session_destroyed(lambda _: self.pages.remove(page) if page in self.pages else None)

    def report_page(self) -> Path | None:
        """The page of the report that was made last."""
        return self.made

    def work(self, page: Page, call: Callable[[], Any], then: Callable[[Any], None]) -> None:
        """Do what may last, then go on with what it gave; what it could not do is told on the page.

        Parameters
        ----------
        page : Page
        call : callable()
        then : callable(object)
        """

        def outcome() -> Callable[[], None]:
            try:
                return partial(then, call())
            except (ValueError, OSError, MemoryError) as error:
                return partial(page.say, str(error) or "Not enough memory.", refused=True)

        if page.doc.session_context is None:  # driven from Python
            outcome()()
        else:
            self._hand.submit(lambda: page.doc.add_next_tick_callback(outcome()))

    def _measured(self, _: Future[Any]) -> None:
        """The sweeps are measured: go on with that, in all windows."""

        def go_on() -> None:
            said = ""
            try:
                self.desk.go_on()
            except (ValueError, OSError) as error:
                said = str(error)
            for page in list(self.pages):
                page.soon(partial(page.measured, said))

        with suppress(RuntimeError):  # the review has ended
            self._hand.submit(go_on)

    def close(self) -> None:
        """End; what was looked at is written."""
        self._hand.shutdown()
        self.desk.close()


class Page:
    """One window.

    Parameters
    ----------
    review : Review
    doc : bokeh.document.Document
    """

    def __init__(self, review: Review, doc: Document) -> None:
        self.review, self.desk, self.doc = review, review.desk, doc
        self.sweep, self.listed = "", self.desk.measuring
        self.untouched = self.listed  # shows what comes first until all are measured, or somebody opens another
        self._ticks = 0
        self.status, self.head = text_box(name="state"), text_box()
        self.heights, self.biases = HeightPlots(), BiasPlots()
        self.list = WorklistView(self.desk, self.open)
        self.answer = AnswerView(self.desk)
        self.decision = DecisionView(self)
        self.window = WindowView(self)
        self.many = ManyView(self)
        self.settings = SettingsView(self)
        self.out = OutView(self)
        self.pressed = TextInput(visible=False)
        self.pressed.on_change("value", lambda attr, old, new: self.key(new.split(" ")[0]))
        if self.list.sweeps and self.untouched:
            self._draw(self.list.sweeps[0])
        elif self.list.sweeps:
            self.open(self.list.sweeps[0])
        with doc.models.freeze():  # what belongs to the document is looked up once, not with each root
            self._place()
        ready = LOOKING if self.desk.read_only else "Ready."
        self.say(f"{ready} {MEASURING.capitalize()}" if self.desk.measuring else ready)

    def _place(self) -> None:
        # Each part is a root: a browser lays a whole root out anew, with its plots, when a text in it changes.
        parts: dict[str, list[Any]] = {
            "status": [self.status, self.pressed],
            "listing": self.list.parts,
            "sweep": [self.head, *self.heights.parts, self.window.layout, *self.biases.parts, self.many.layout],
            "decision": self.decision.parts,
            "answer": [*self.answer.parts, self.settings.layout, self.out.layout],
        }
        sections: dict[str, list[str]] = {}
        for section, roots in parts.items():
            for root in roots:
                root.name = root.name or f"{section}-{len(sections.get(section, []))}"
                sections.setdefault(section, []).append(root.name)
                self.doc.add_root(root)
        self.doc.title = f"Review of {self.desk.path.name}"
        self.doc.template = get_env().from_string((Path(__file__).parent / "page.html").read_text(encoding="utf-8"))
        self.doc.template_variables.update(heading=safe(self.doc.title), sections=sections)
        keys = CustomJS(args={"pressed": self.pressed, "keys": list(self.decision.keys)}, code=KEYS_JS)
        named = CustomJS(args={"sliders": [self.window.slider, self.settings.width]}, code=NAMED_JS)
        self.doc.js_on_event("document_ready", keys, named)
        self.doc.js_on_event("connection_lost", CustomJS(code=LOST_JS))
        self.doc.add_periodic_callback(self.look_outside, NEWS_MS)

    def say(self, words: str, *, refused: bool = False) -> None:
        """Tell something in the line at the top.

        Parameters
        ----------
        words : str
        refused : bool
            Whether something could not be done.
        """
        self.status.text = f"<p class='state{' caution' if refused else ''}'>{safe(words)}</p>"

    def beside(self, windows: int) -> None:
        """Tell that the review is open in several windows.

        Parameters
        ----------
        windows : int
        """
        words = f"This review is open in {windows} windows; each shows what is decided in the others."
        self.soon(lambda: self.say(words))

    def soon(self, call: Callable[[], None]) -> None:
        """Do something when the document may be changed: at once where it is driven from Python.

        Parameters
        ----------
        call : callable()
        """
        if self.doc.session_context is None:
            call()
        else:
            self.doc.add_next_tick_callback(call)

    def key(self, key: str) -> None:
        """Do what a key stands for.

        Parameters
        ----------
        key : str
        """
        if key in self.decision.keys:
            self.decision.keys[key]()

    def open(self, sweep: str) -> None:
        """Show a sweep, and remember that it was looked at.

        Parameters
        ----------
        sweep : str
        """
        self.untouched = False
        self._draw(sweep)
        self.desk.look(sweep)
        self.list.looked(sweep)

    def _draw(self, sweep: str) -> None:
        view = self.desk.view(sweep)
        self.sweep = sweep
        beside = self.desk.curves(view.beside[:BESIDE])
        height = hasattr(view, "height_m")
        note = (self.heights if height else self.biases).show(view, beside)
        self.heights.turn(visible=height)
        self.biases.turn(visible=not height)
        self.window.layout.visible = height and not self.desk.measuring
        if height:
            self.window.show(view)
        self.head.text = heading_of(view, note, self.list.why(sweep), measuring=self.desk.measuring)
        self.decision.show(view, self.desk.reasons(sweep))
        self.many.show(view)
        self.answer.show_group(sweep)

    def step(self, by: int) -> None:
        """Open the sweep so many rows further down the list.

        Parameters
        ----------
        by : int
        """
        self.open(self.list.beside(self.sweep, by))

    def decide(self, sweeps: Sequence[str], action: str, why: str = "") -> None:
        """Keep a decision; it is in the session when the page says so.

        Parameters
        ----------
        sweeps : sequence of str
        action : str
            ``"keep"``, ``"omit"`` or ``"undo"``.
        why : str
        """
        if self.untouched:
            self.open(self.sweep)
        names = list(sweeps)
        what = names[0] if len(names) == 1 else f"{len(names)} sweeps"
        self.say(f"working: {action} {what} ...")

        def kept(_: Any) -> None:
            self.say(f"Kept in the session: {action} {what}.")
            self.answer.refresh(self.sweep)  # is on its way while the rest is made
            self.soon(self.review_changed)

        self.review.work(self, lambda: self.desk.decide(names, action, why), kept)

    def change(self, **settings: Any) -> None:
        """Use other settings; without any, those of the rule.

        Parameters
        ----------
        **settings : object
            As `Desk.change` takes them.
        """
        self.say("working: measuring under these settings ...")

        def done(_: Any) -> None:
            self.say("The answer is that of these settings.")
            self.review_changed()

        call = (lambda: self.desk.change(**settings)) if settings else self.desk.back_to_rule
        self.review.work(self, call, done)

    def review_changed(self) -> None:
        """Show what changed, here and in the other windows."""
        for page in list(self.review.pages) or [self]:
            if page is self:
                page.refresh()
            else:
                page.soon(page.refresh)

    def measured(self, failed: str = "") -> None:
        """Show the answer, now that all sweeps are measured.

        Parameters
        ----------
        failed : str
            Why they could not be measured, if so.
        """
        if failed:
            self.say(failed, refused=True)
            return
        own, writing = self.decision.own.value, self.decision.own.value_input  # a reason that is being written
        self.list.offer()
        self.refresh()
        if self.untouched and self.list.sweeps and not (own or writing):
            self.open(self.list.sweeps[0])
        self.decision.own.value = own
        looking = f" {LOOKING}" if self.desk.read_only else ""
        self.say(f"All {len(self.desk.worklist)} sweeps are measured; doubtful ones stand first.{looking}")

    def refresh(self) -> None:
        """Show everything as it stands now."""
        self.list.refresh(self.sweep)
        self.answer.refresh(self.sweep)
        self.settings.refresh()
        if self.sweep:
            self._draw(self.sweep)

    def look_outside(self) -> None:
        """Tell what another program changed in the session; now and then write what was looked at."""
        self._ticks += 1

        def told(news: tuple[str, ...]) -> None:
            if news:
                self.say("New: " + "; ".join(news))
                self.review_changed()

        def look() -> tuple[str, ...]:
            if self._ticks % LOOKS_EACH == 0:
                self.desk.save_looks()
            return self.desk.news()

        self.review.work(self, look, told)
