"""Uncertainties beside the numbers of the page's tables, or the reason why there is none."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sts.analysis import SpectraAnalysis
from sts.curves.distributions import chi2_quantile
from sts.report.number_words import count


def components_with_intervals(components: pd.DataFrame, confidence: float) -> pd.DataFrame:
    """Components of the scatter with the interval of their standard deviation, in words, as column `interval`.

    Parameters
    ----------
    components : pandas.DataFrame
        Of `variance_components`.
    confidence : float
        Level, 0 to 1.

    Notes
    -----
    The scatter of repeats about the mean of their site is a mean square by itself: s sqrt(f/χ²) with f degrees of freedom
    (textbooks; normal scatter). That between sites or tips is a difference of two mean squares with few degrees of freedom, of
    which no interval is stated.
    """
    if components.empty:
        return components
    tails = np.array([0.5 + confidence / 2, 0.5 - confidence / 2])
    said = []
    for row in components.to_dict("records"):
        freedom = int(row["dof"])
        if not freedom:
            said.append("none: cannot be estimated")
        elif row["level"] == "repeat":
            low, high = row["sd_eV"] * np.sqrt(freedom / chi2_quantile(tails, freedom))
            said.append(f"{low:.3f} to {high:.3f}")
        else:
            said.append(f"none: rests on {count(freedom, 'degree')} of freedom")
    return components.assign(interval=said)


def spectra_with_uncertainties(spectra: SpectraAnalysis) -> pd.DataFrame:
    """The summary of spectra with labels, and with the uncertainty and the source of each zero and shift.

    Parameters
    ----------
    spectra : SpectraAnalysis
    """
    each = spectra.spectra
    return spectra.summary.assign(
        label=[s.label for s in each],
        bias_offset_se_mV=[s.offsets.bias_se_V * 1e3 for s in each],
        current_offset_se_pA=[s.offsets.current_se_A * 1e12 for s in each],
        zeros_from=[s.offsets.how for s in each],
        displacement_se_fF=[float(s.directions.get("displacement_fF_se", np.nan)) for s in each],
    )
