"""Works that the methods used here rest on, as text and as BibTeX: only those an analysis has made use of."""

from __future__ import annotations

from dataclasses import dataclass

from sts.analysis import Analysis


@dataclass(frozen=True)
class Work:
    """One published work."""

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
        names = self.authors.replace(" and ", ", ")
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


_ALWAYS = (
    Work(
        "JCGM100",
        "techreport",
        "{Joint Committee for Guides in Metrology}",
        "Evaluation of measurement data: Guide to the expression of uncertainty in measurement",
        "BIPM",
        2008,
        volume="JCGM 100:2008",
        used_for="statement of uncertainties",
    ),
    Work(
        "Harris2020",
        "article",
        "C. R. Harris and K. J. Millman and S. J. van der Walt and others",
        "Array programming with NumPy",
        "Nature",
        2020,
        "585",
        "357-362",
        "10.1038/s41586-020-2649-2",
        "numerics",
    ),
    Work(
        "Virtanen2020",
        "article",
        "P. Virtanen and R. Gommers and T. E. Oliphant and others",
        "SciPy 1.0: fundamental algorithms for scientific computing in Python",
        "Nature Methods",
        2020,
        "17",
        "261-272",
        "10.1038/s41592-019-0686-2",
        "numerics and constants",
    ),
    Work(
        "Konnecke2015",
        "article",
        "M. Könnecke and F. A. Akeroyd and H. J. Bernstein and others",
        "The NeXus data format",
        "Journal of Applied Crystallography",
        2015,
        "48",
        "301-305",
        "10.1107/S1600576714027575",
        "session file",
    ),
)
_BARRIER = (
    Work(
        "Binnig1982",
        "article",
        "G. Binnig and H. Rohrer and Ch. Gerber and E. Weibel",
        "Surface studies by scanning tunneling microscopy",
        "Physical Review Letters",
        1982,
        "49",
        "57-61",
        "10.1103/PhysRevLett.49.57",
        "apparent barrier height from I(z)",
    ),
    Work(
        "Simmons1963",
        "article",
        "J. G. Simmons",
        "Generalized formula for the electric tunnel effect between similar electrodes separated by a thin "
        "insulating film",
        "Journal of Applied Physics",
        1963,
        "34",
        "1793-1803",
        "10.1063/1.1702682",
        "decay of the current with height",
    ),
    Work(
        "Paule1982",
        "article",
        "R. C. Paule and J. Mandel",
        "Consensus values and weighting factors",
        "Journal of Research of the National Bureau of Standards",
        1982,
        "87",
        "377-385",
        "10.6028/jres.087.022",
        "pooling of sites",
    ),
    Work(
        "Hartung2001",
        "article",
        "J. Hartung and G. Knapp",
        "On tests of the overall treatment effect in meta-analysis with normally distributed responses",
        "Statistics in Medicine",
        2001,
        "20",
        "1771-1782",
        "10.1002/sim.791",
        "intervals of the pooled barrier",
    ),
    Work(
        "Cumming2007",
        "article",
        "G. Cumming and F. Fidler and D. L. Vaux",
        "Error bars in experimental biology",
        "Journal of Cell Biology",
        2007,
        "177",
        "7-11",
        "10.1083/jcb.200611141",
        "what is a replicate; meaning of bars",
    ),
)
_SPECTRA = (
    Work(
        "Stroscio1986",
        "article",
        "J. A. Stroscio and R. M. Feenstra and A. P. Fein",
        "Electronic structure of the Si(111)2x1 surface by scanning-tunneling microscopy",
        "Physical Review Letters",
        1986,
        "57",
        "2579-2582",
        "10.1103/PhysRevLett.57.2579",
        "normalised conductance",
    ),
    Work(
        "Savitzky1964",
        "article",
        "A. Savitzky and M. J. E. Golay",
        "Smoothing and differentiation of data by simplified least squares procedures",
        "Analytical Chemistry",
        1964,
        "36",
        "1627-1639",
        "10.1021/ac60214a047",
        "local polynomial derivative",
    ),
    Work(
        "Feenstra1994",
        "article",
        "R. M. Feenstra",
        "Tunneling spectroscopy of the (110) surface of direct-gap III-V semiconductors",
        "Physical Review B",
        1994,
        "50",
        "4561-4570",
        "10.1103/PhysRevB.50.4561",
        "broadening of I/V at gaps",
    ),
)
_SUPERCONDUCTOR = Work(
    "Dynes1978",
    "article",
    "R. C. Dynes and V. Narayanamurti and J. P. Garno",
    "Direct measurement of quasiparticle-lifetime broadening in a strong-coupled superconductor",
    "Physical Review Letters",
    1978,
    "41",
    "1509-1512",
    "10.1103/PhysRevLett.41.1509",
    "density of states with lifetime",
)


def works_used(analysis: Analysis) -> list[Work]:
    """The works that the methods of this analysis rest on."""
    works: list[Work] = []
    if analysis.barrier is not None:
        works += _BARRIER
    if analysis.spectra is not None:
        works += _SPECTRA
        if any(s.superconductor is not None for s in analysis.spectra.spectra):
            works.append(_SUPERCONDUCTOR)
    return [*works, *_ALWAYS]


def bibtex(analysis: Analysis) -> str:
    """The BibTeX file of `works_used`."""
    return "\n".join(work.bibtex for work in works_used(analysis))
