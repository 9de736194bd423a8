"""Figures as bytes: the same figure gives the same bytes, whichever process saves it."""

from __future__ import annotations

import io
import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import Any

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import FigureCanvasPdf
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from sts.figures.style import house_style

FORMATS = ("svg", "pdf", "png")
FILE_DPI = 300
MOST_PROCESSES = 4  # laying figures out stays in one process: more helpers than this would wait for it


def save(figure: Figure, suffix: str, *, dpi: int = FILE_DPI) -> bytes:
    """A figure as bytes without dates or versions in it."""
    buffer = io.BytesIO()
    # print_* draws once; savefig would draw everything twice, to no use here.
    before = figure.dpi
    canvas: Any
    try:
        if suffix == "svg":
            nothing = {"Date": None, "Creator": None, "Format": None, "Type": None}
            canvas = FigureCanvasSVG(figure)
            canvas.print_svg(buffer, metadata=nothing)
        elif suffix == "pdf":
            canvas = FigureCanvasPdf(figure)
            canvas.print_pdf(buffer, metadata={"CreationDate": None, "Creator": None, "Producer": None})
        else:
            figure.dpi = dpi
            canvas = FigureCanvasAgg(figure)
            canvas.print_png(buffer, metadata={"Software": None}, pil_kwargs={"compress_level": 3})
    finally:
        figure.dpi = before
    return buffer.getvalue()


def save_each(figure: Figure, formats: Sequence[str] = FORMATS) -> dict[str, bytes]:
    """A figure that is laid out, in every format, by its suffix."""
    with house_style():
        return {suffix: save(figure, suffix) for suffix in formats}


class Savers:
    """Saves figures in helper processes while this one goes on; without helpers, when asked for the result."""

    def __init__(self, pool: ProcessPoolExecutor | None) -> None:
        self._pool = pool

    def start(self, figure: Figure) -> Future[dict[str, bytes]] | None:
        """Hand a figure to the helpers; nothing may change it from now on."""
        try:
            return self._pool.submit(save_each, figure) if self._pool is not None else None
        except BrokenProcessPool:
            return None

    def result(self, figure: Figure, started: Future[dict[str, bytes]] | None) -> dict[str, bytes]:
        """What `start` began; done here where no helper has come to it yet, or none lives."""
        if started is None or started.cancel():
            return save_each(figure)
        try:
            return started.result()
        except BrokenProcessPool:
            return save_each(figure)


@contextmanager
def savers(processes: int) -> Iterator[Savers]:
    """`Savers` for as many processes in all, this one included.

    Helpers start afresh ("spawn"), on every system alike: a copy of a process with threads in it may hang. A script
    that asks for more than one needs the usual guard ``if __name__ == "__main__":``.
    """
    helpers = min(processes, MOST_PROCESSES) - 1
    if helpers < 1:
        yield Savers(None)
        return
    pool = ProcessPoolExecutor(helpers, mp_context=multiprocessing.get_context("spawn"), initializer=_live_with_parent)
    try:
        yield Savers(pool)
    finally:
        pool.shutdown(cancel_futures=True)


def _live_with_parent() -> None:
    """What a helper does first: leave the stop key to its parent, and end with it, even where that is killed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    assert parent is not None

    def follow() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=follow, daemon=True).start()
