"""The figure of chosen spectra together, as a paper shows them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from sts.figures.paper import plot_spectra
from sts.report.captions import Picture
from sts.report.number_words import count
from sts.spectra.spectrum import Spectrum

_WORDS = {"didv": "dI/dV", "normalised": "(dI/dV)/(I/V)", "current": "current"}


@dataclass(frozen=True)
class Together:
    """What is drawn of the spectra of an analysis in one figure beside the others.

    Attributes
    ----------
    quantity : str
        ``"didv"``, ``"normalised"`` or ``"current"``.
    labels : tuple of str
        One for each in the legend; what differs between them if empty.
    """

    quantity: str = "didv"
    labels: tuple[str, ...] = ()


def together_picture(spectra: Sequence[Spectrum], asked: Together) -> Picture:
    """All of some spectra in one figure.

    Parameters
    ----------
    spectra : sequence of Spectrum
        At least one.
    asked : Together

    Raises
    ------
    ValueError
        If the labels are not one for each spectrum.
    """
    if asked.labels and len(asked.labels) != len(spectra):
        there = "; ".join(s.label for s in spectra)
        raise ValueError(
            f"{count(len(asked.labels), 'label')} for {count(len(spectra), 'spectrum', 'spectra')}; give one for each, in "
            f"this order: {there}."
        )
    labels = asked.labels or None
    return Picture("together", f"together_{asked.quantity}", f"Spectra together: {_WORDS[asked.quantity]}",
                   f"{_WORDS[asked.quantity]} of {count(len(spectra), 'spectrum', 'spectra')}.",
                   partial(plot_spectra, spectra, labels=labels, quantity=asked.quantity))  # fmt: skip
