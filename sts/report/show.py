"""Pictures of single sweeps, asked for by name."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sts.analysis import curves_of, measure, view_of
from sts.figures.one_sweep import draw_sweeps
from sts.figures.saving import save, write_whole
from sts.figures.style import house_style
from sts.plan import Plan
from sts.session import Session

ENDINGS = (".png", ".svg", ".pdf")
MOST = {".png": 24, ".svg": 24, ".pdf": 200}  # sweeps in one file


def show_sweeps(
    session: Session | str | Path, sweeps: Sequence[str], out: str | Path = "show.png", plan: Plan | None = None
) -> list[str]:
    """Draw sweeps with what was made of them: panels of one picture, or pages of a PDF.

    Parameters
    ----------
    session : Session or path
    sweeps : sequence of str
        Names, or patterns with ``*`` and ``?``.
    out : path
        File to write; its ending says what: ``.png``, ``.svg`` or ``.pdf``. One that is there is replaced.
    plan : Plan, optional
        Every setting; the defaults if not given.

    Returns
    -------
    list of str
        Names of the sweeps drawn, in order.

    Raises
    ------
    SessionError
        If a name fits no sweep.
    ValueError
        If the ending is another, or these are too many sweeps for one file.

    Examples
    --------
    >>> made = sts.simulate_iz(barrier_eV=4.0, sweeps=4, bench=sts.simulate.Bench(white_A=1e-12), seed=1)
    >>> np.savez("heron.npz", height_m=made.sweeps.axis, current_A=made.sweeps.current)
    >>> imported = sts.import_files(["heron.npz"], "session.h5", values={"tip": "heron"})
    >>> sts.show_sweeps("session.h5", ["heron_1", "heron_3"], "two.png")
    ['heron_1', 'heron_3']
    """
    path = Path(out)
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        raise ValueError(
            f"{path}: a picture ends with .png, .svg or .pdf, not with '{path.suffix}'; say so in its name."
        )
    opened = session if isinstance(session, Session) else Session.open(session)
    names = opened.find(list(sweeps))
    if len(names) > MOST[ending]:
        raise ValueError(
            f"{len(names)} sweeps fit; {MOST[ending]} at most go into one {ending[1:].upper()} file. Name fewer"
            f"{'' if ending == '.pdf' else ', or write a .pdf, which takes a page for each'}."
        )
    measured = measure(opened, plan)
    analysis = measured.summarise(opened.decisions())
    views = [view_of(measured, analysis, name) for name in names]
    parts = [(view, curves_of(measured, view.beside)) for view in views]
    with house_style():
        content = _pages(parts) if ending == ".pdf" else save(draw_sweeps(parts), ending[1:], dpi=150)
    write_whole(path, content)
    return names


def _pages(parts: Sequence[Any]) -> bytes:
    from matplotlib.backends.backend_pdf import PdfPages  # slow to import

    buffer = io.BytesIO()
    metadata: Any = {"CreationDate": None, "Creator": None, "Producer": None}
    with PdfPages(buffer, metadata=metadata) as pages:
        for part in parts:
            pages.savefig(draw_sweeps([part]))
    return buffer.getvalue()
