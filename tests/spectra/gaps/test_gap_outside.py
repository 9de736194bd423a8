"""Published gaps of semiconductors as scenarios: planted in a spectrum, they come back.

semiconductors.csv, status seen unless said. The numbers plant the truth and set the range; what is proved is that the edges
are read at every size of gap. Not used: `sts_range` (a range, no gap), `gaas110` and `si2x1_86` (status memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from sts.spectra.gaps.gap import gap_edges

GAPS_EV = {  # sze_*: S. M. Sze 1981, appendix; vz_*: B. Van Zeghbroeck; web_*: a materials page; others: STS, see their papers
    "sze_Si": 1.12,
    "sze_Ge": 0.66,
    "sze_GaAs": 1.42,
    "sze_GaP": 2.26,
    "sze_GaSb": 0.72,
    "sze_InAs": 0.36,
    "sze_InP": 1.35,
    "sze_InSb": 0.17,
    "sze_AlAs": 2.16,
    "sze_CdS": 2.42,
    "sze_CdSe": 1.7,
    "sze_CdTe": 1.56,
    "sze_ZnSe": 2.71,
    "sze_PbS": 0.41,
    "sze_PbSe": 0.27,
    "sze_PbTe": 0.31,
    "vz_Ge": 0.66,
    "vz_Si": 1.12,
    "vz_GaAs": 1.424,
    "web_InAs": 0.354,
    "web_InP": 1.344,
    "web_GaSb": 0.726,
    "web_Ge": 0.661,
    "web_GaAs": 1.424,
    "web_InSb": 0.17,
    "si2x1_91": 0.5,
    "ge2x1_91": 0.65,
    "si2x1_99": 0.59,
    "ge2x1_01": 0.54,
    "gec28": 0.49,
    "mos2_hopg": 2.15,
    "mos2_gr": 2.53,
    "wse2_gap": 2.08,
}
EDGES_V = {"wse2_vbm": -1.05, "wse2_vbmG": -1.65, "wse2_cbm": 1.03}  # M.-H. Chiu et al., Nat. Commun. 6, 7666 (2015)


def spectrum(valence, conduction, *, seed, exponent=1.0):
    """Repeats of a band pair on a sweep three gaps wide, with a smoothing of 5 points and no temperature."""
    reach = 1.5 * max(-valence, conduction)
    v = np.linspace(-1.1 * reach, 1.1 * reach, 401)
    band = np.maximum(np.maximum(v - conduction, valence - v), 0.0) ** exponent
    noise = 0.002 * band.max() * np.random.default_rng(seed).standard_normal((8, v.size + 4))
    return v, band + np.stack([np.convolve(row, np.ones(5) / 5, "valid") for row in noise])


@pytest.mark.parametrize("name", GAPS_EV)
def test_a_published_gap_comes_back(name):
    gap = GAPS_EV[name]
    v, each = spectrum(-0.45 * gap, 0.55 * gap, seed=len(name))
    row = gap_edges(v, each).iloc[-1]
    assert row["gap_meV"] == pytest.approx(1e3 * gap, rel=0.02)
    assert abs(row["gap_meV"] - 1e3 * gap) < 4 * row["gap_se_meV"]


def test_edges_are_read_one_by_one_and_a_faint_valley_changes_the_gap():
    """WSe2 on graphite: 2.08 eV between the K valleys (wse2_gap, computed); 2.68 eV if only the Γ edge is seen."""
    for valence, gap in ((EDGES_V["wse2_vbm"], 2080.0), (EDGES_V["wse2_vbmG"], 2680.0)):
        v, each = spectrum(valence, EDGES_V["wse2_cbm"], seed=1)
        row = gap_edges(v, each).iloc[-1]
        assert row["lower_edge_V"] == pytest.approx(valence, abs=0.02)
        assert row["upper_edge_V"] == pytest.approx(EDGES_V["wse2_cbm"], abs=0.02)
        assert row["gap_meV"] == pytest.approx(gap, abs=25)
