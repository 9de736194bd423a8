"""Works: only those of methods that were used, in sound BibTeX."""

from __future__ import annotations

import re
from dataclasses import replace

from sts.analysis import Analysis
from sts.report.citations import bibtex, works_used


def test_only_works_of_methods_that_were_used_are_cited(invented: Analysis) -> None:
    keys = {work.key for work in works_used(invented)}
    assert {"Binnig1982", "Stroscio1986", "JCGM100"} <= keys
    assert "Dynes1978" not in keys
    assert "Stroscio1986" not in {work.key for work in works_used(replace(invented, spectra=None))}


def test_bibtex_is_balanced_and_keys_are_unique(invented: Analysis) -> None:
    text = bibtex(invented)
    keys = re.findall(r"^@\w+\{(\w+),$", text, re.MULTILINE)
    assert len(keys) == len(set(keys)) == len(works_used(invented))
    assert text.count("{") == text.count("}")
    for doi in re.findall(r"doi = \{(.*)\}", text):
        assert re.fullmatch(r"10\.\d{4,}/\S+", doi)


def test_the_page_lists_works_as_people_write_them(invented: Analysis) -> None:
    """Braces and "and others" belong to BibTeX."""
    texts = [work.text for work in works_used(invented)]
    assert not any(re.search(r"[{}]|others", text) for text in texts)
    assert any(text.startswith("Joint Committee for Guides in Metrology:") for text in texts)
    assert any("S. J. van der Walt et al.: Array programming" in text for text in texts)
    assert "{Joint Committee" in bibtex(invented)
