"""One I(z) sweep fitted over a window that is being dragged."""

from __future__ import annotations

import numpy as np

from sts.analysis import Measured
from sts.barrier.masks import find_masks, window
from sts.barrier.windows import WindowFit, fit_window
from sts.session import SessionError


def preview(measured: Measured, sweep: str, from_nm: float | None, to_nm: float | None) -> WindowFit:
    """The fit of one sweep over other heights: those masked for other reasons than the plan's window stay masked.

    Parameters
    ----------
    measured : Measured
    sweep : str
    from_nm, to_nm : float or None
        Heights from the near end of the ramp [nm]; None: as far as the rules allow.

    Raises
    ------
    SessionError
        If there is no I(z) sweep of that name.
    """
    own = measured.plan.barrier
    free = own.model_copy(update={"fit_from_nm": None, "fit_to_nm": None})
    asked = own.model_copy(update={"fit_from_nm": from_nm, "fit_to_nm": to_nm})
    ramps = [part for part in measured.sets if part.kind == "iz"]
    for part, fit in zip(ramps, measured.fits, strict=True):
        rows = np.flatnonzero(part.table["sweep"].to_numpy() == sweep)
        if rows.size:
            row = int(rows[0])
            alone = part.select(rows)
            seen = find_masks(alone, free).usable[0] & (fit.used_points[row] | ~window(part.axis, own))
            confidence = measured.plan.compare.confidence
            return fit_window(fit, row, seen & window(part.axis, asked), confidence=confidence)
    raise SessionError(f"'{sweep}' is no I(z) sweep, so there is no window of heights to fit.")
