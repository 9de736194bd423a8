"""Notes of the page: what could not be said, and what is not drawn."""

from __future__ import annotations

from sts.analysis import Analysis
from sts.report.pictures_barrier import MOST_TIPS
from sts.report.pictures_session import MOST_TIPS as MOST_MEASURED
from sts.report.pictures_session import tips_with_sweeps
from sts.report.pictures_spectra import MOST_SPECTRA
from sts.sweeps import KIND_WORDS

WHY_ORDER = {
    "file time": ": recorded starts do not tell it",
    "date": ": their recorded starts do not tell them apart within a day",
    "names": ": neither recorded starts nor times of files tell how they were measured",
}


def notes(analysis: Analysis) -> list[str]:
    """What could not be said, or is not shown, one note each.

    Parameters
    ----------
    analysis : Analysis
    """
    said = [
        f"Sweeps are listed {analysis.order.words}{WHY_ORDER.get(analysis.order.basis, '')}.",
        *(analysis.barrier.notes if analysis.barrier is not None else ()),
        *(analysis.spectra.notes if analysis.spectra is not None else ()),
    ]
    if analysis.barrier is not None and len(analysis.barrier.tips) > MOST_TIPS:
        said.append(f"Fits are drawn for the first {MOST_TIPS} of {len(analysis.barrier.tips)} tips.")
    if analysis.spectra is not None and len(analysis.spectra.spectra) > MOST_SPECTRA:
        said.append(f"The first {MOST_SPECTRA} of {len(analysis.spectra.spectra)} spectra are drawn.")
    for kind, name in KIND_WORDS.items():
        tips = len(tips_with_sweeps(analysis.sets, kind))
        if tips > MOST_MEASURED:
            said.append(
                f"Of {tips} tips (on each sample) the {name} sweeps of the {MOST_MEASURED} with most are drawn as measured."
            )
    return list(dict.fromkeys(said))
