"""Invented repeats with known truth, for the tests of comparing."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sts.quantities import decay_from_barrier


def make_repeats(
    barriers: dict[str, float],
    *,
    sites: int | dict[str, int] = 4,
    repeats: int = 3,
    site_sd: float = 0.0,
    noise: float = 0.15,
    seed: int = 0,
    **columns: dict[str, str],
) -> pd.DataFrame:
    """Slopes [1/nm] scattered about each tip's by `site_sd` (relative) between sites and `noise` between repeats."""
    rng = np.random.default_rng(seed)
    rows = []
    for tip, barrier in barriers.items():
        slope = float(decay_from_barrier(barrier)) * 1e-9
        for site in range(sites if isinstance(sites, int) else sites[tip]):
            here = slope * (1 + site_sd * rng.normal())
            for repeat in range(repeats):
                rows.append(
                    {
                        "sample": "gold",
                        "tip": tip,
                        "site": f"{tip} {site}",
                        "repeat": float(repeat),
                        "decay_per_nm": here + noise * rng.normal(),
                        "decay_se_per_nm": noise if noise else 0.01,
                        "dof": 200.0,
                        "sweeps": 2,
                        **{name: value[tip] for name, value in columns.items()},
                    }
                )
    return pd.DataFrame(rows)
