"""Models of spectra, each in a file of its own: line shape, starts, fit, parameters, source. `MODELS` lists them."""

from sts.spectra.models.fitting import LineFit, Measured
from sts.spectra.models.gap_equation import gap_ratio
from sts.spectra.models.inelastic import INELASTIC_STEP
from sts.spectra.models.model import Model, Parameter
from sts.spectra.models.resonance import RESONANCE
from sts.spectra.models.superconductor import SUPERCONDUCTOR, SuperconductingGap, fit_superconducting_gap

# Tables, page, figures, results.json, results.h5, terminal and documentation loop over this list.
MODELS = (SUPERCONDUCTOR, RESONANCE, INELASTIC_STEP)

__all__ = [
    "MODELS",
    "LineFit",
    "Measured",
    "Model",
    "Parameter",
    "SuperconductingGap",
    "fit_superconducting_gap",
    "gap_ratio",
]
