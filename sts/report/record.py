"""The record of tips to a folder: page, charts, tables, plan."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from sts.analysis import TipRecord
from sts.report.arrays import RESULTS_FORMAT
from sts.report.drawing import draw_all, figure_files
from sts.report.folder import RECORD, ready_to_write, write_files
from sts.report.record_page import record_pictures, render_record, rule
from sts.report.tables import as_bytes, csv_text, json_text
from sts.settings import write_toml


def write_tip_record(
    record: TipRecord, out: str | Path, *, force: bool = False, progress: Callable[[int, int], None] | None = None
) -> list[Path]:
    """Write the record of tips to a folder; one that an earlier record wrote is renewed.

    Parameters
    ----------
    record : TipRecord
        Of `sts.tip_record`.
    out : path
        The folder; made if it is not there.
    force : bool
        Overwrite other results that are there already.
    progress : callable(done, total), optional

    Returns
    -------
    list of pathlib.Path
        The files written. Equal input gives equal bytes.

    Raises
    ------
    ValueError
        If a file would be overwritten that may not be.

    Examples
    --------
    >>> made = sts.simulate_iz(barrier_eV=4.0, sweeps=4, bench=sts.simulate.Bench(white_A=1e-12), seed=1)
    >>> np.savez("heron.npz", height_m=made.sweeps.axis, current_A=made.sweeps.current)
    >>> imported = sts.import_files(["heron.npz"], "session.h5", values={"tip": "heron"})
    >>> [path.name for path in sts.write_tip_record(sts.tip_record("session.h5"), "tips") if path.suffix == ".csv"]
    ['sessions.csv', 'tip_days.csv', 'tips.csv']
    """
    before = ready_to_write(out, what=RECORD, force=force, renew=True)
    pictures = record_pictures(record)
    drawn = draw_all(pictures, record.plan.report, progress)
    texts = {
        "tips.html": render_record(record, drawn), "tips.csv": csv_text(record.tips), "tip_days.csv": csv_text(record.days),
        "sessions.csv": csv_text(record.sessions), "plan.toml": write_toml(record.plan),
    }  # fmt: skip
    content = {name: as_bytes(text) for name, text in texts.items()} | figure_files(drawn)
    numbers = {
        "format": RESULTS_FORMAT, "what": RECORD, "versions": record.versions, "plan": record.plan.model_dump(),
        "tips": record.tips, "days": record.days, "sessions": record.sessions, "notes": record.notes, "rule": rule(record),
        "files": sorted([*content, "results.json"]),
    }  # fmt: skip
    content["results.json"] = as_bytes(json_text(numbers))
    written = write_files(Path(out), dict(sorted(content.items())), force=force, before=before)
    if progress is not None:
        progress(len(pictures) + 1, len(pictures) + 1)
    return written
