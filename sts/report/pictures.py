"""Which figures an analysis has."""

from __future__ import annotations

from sts.report.captions import Picture
from sts.report.pictures_barrier import barrier_pictures
from sts.report.pictures_session import session_pictures
from sts.report.pictures_spectra import spectra_pictures
from sts.report.summary import Summary


def gallery(summary: Summary) -> list[Picture]:
    """Every figure these results have, in the order of the page.

    Parameters
    ----------
    summary : Summary
    """
    analysis = summary.analysis
    pictures: list[Picture] = []
    if analysis.barrier is not None and len(analysis.barrier.tips):
        pictures += barrier_pictures(summary, analysis.barrier)
    if analysis.spectra is not None:
        pictures += spectra_pictures(analysis.spectra, analysis.plan.compare.confidence)
    return [*pictures, *session_pictures(summary)]
