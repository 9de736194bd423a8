"""Works that the methods used here rest on, as text and as BibTeX: only those an analysis has made use of."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from importlib.resources import files

from sts.analysis import Analysis
from sts.spectra.models import MODELS


@dataclass(frozen=True)
class Work:
    """One published work, an entry of ``citations.toml``."""

    cited: str  # with what: "always", "barrier", "spectra" or (a fit of) a "model"
    key: str
    kind: str  # BibTeX entry type
    authors: str  # BibTeX form: "A. Name and B. Name"
    title: str
    where: str  # journal or publisher
    year: int
    volume: str = ""
    pages: str = ""
    doi: str = ""
    used_for: str = ""

    @property
    def text(self) -> str:
        """In one line, for the page."""
        names = self.authors.replace(" and others", " et al.").replace(" and ", ", ").strip("{}")
        place = ", ".join(p for p in (f"{self.where} {self.volume}".strip(), self.pages) if p)
        doi = f", doi:{self.doi}" if self.doi else ""
        return f"{names}: {self.title}. {place} ({self.year}){doi}"

    @property
    def bibtex(self) -> str:
        """As a BibTeX entry."""
        place = {"article": "journal", "techreport": "institution"}[self.kind]
        fields = {"author": self.authors, "title": f"{{{self.title}}}", place: self.where, "year": str(self.year)}
        fields |= {k: v for k, v in (("volume", self.volume), ("pages", self.pages), ("doi", self.doi)) if v}
        body = ",\n".join(f"  {name} = {{{value}}}" for name, value in fields.items())
        return f"@{self.kind}{{{self.key},\n{body}\n}}\n"


def works_used(analysis: Analysis) -> list[Work]:
    """The works that the methods of this analysis rest on, in the order of ``citations.toml``.

    Parameters
    ----------
    analysis : Analysis
    """
    spectra = analysis.spectra.spectra if analysis.spectra is not None else ()
    asked = analysis.plan.spectra.normalise
    used = {
        "always": True,
        "barrier": analysis.barrier is not None,
        "spectra": analysis.spectra is not None,
        "broadened": any(one.broadened is not None for one in spectra)
        or (bool(spectra) and asked in ("exponential", "gaussian")),
        "model": False,
    }
    fitted = {model.cites for model in MODELS if any(model.key in s.fits for s in spectra)}
    entries = tomllib.loads((files("sts.report") / "citations.toml").read_text(encoding="utf-8"))["work"]
    return [work for work in (Work(**entry) for entry in entries) if used[work.cited] or work.key in fitted]


def bibtex(analysis: Analysis) -> str:
    """The BibTeX file of `works_used`.

    Parameters
    ----------
    analysis : Analysis
    """
    return "\n".join(work.bibtex for work in works_used(analysis))
