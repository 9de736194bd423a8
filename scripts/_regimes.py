"""Benches and sessions that I(z) must be right on: which study proves each, and what was found, in one table."""

from __future__ import annotations

import csv
from fnmatch import fnmatchcase
from pathlib import Path

# Regime in words, study, pattern of its case.
REGIMES = (
    ("white noise, vacuum", "barrier", "clean vacuum, 1 pA"),
    ("white noise, 8 points per sweep", "barrier_regimes", "8 points"),
    ("10 points per sweep", "barrier_regimes", "10 points"),
    ("15 points per sweep", "barrier_regimes", "15 points"),
    ("8 points per sweep, in air", "barrier_regimes", "8 points in air"),
    ("filtered electronics, no gap noise", "barrier_regimes", "filtered electronics, no gap noise"),
    ("filtered electronics, 0.1 % gap noise", "barrier_regimes", "filtered electronics, 0.1 % gap noise"),
    ("1/f gap noise", "barrier", "1/f gap noise 3 %"),
    ("mixed noise: 1/f, white and electronics", "barrier_noise", "1/f 1 % and white 1 %, 60 points, 2 tips"),
    ("60 points, 2 tips", "barrier_noise", "white gap noise 1 %, 60 points, 2 tips"),
    ("coarse converter, steps of 6 × the noise", "coarse_converter", "steps of 6 × the noise, 150 points"),
    ("coarse converter, steps of 10 × the noise", "coarse_converter", "steps of 10 × the noise, 150 points"),
    ("coarse converter, steps of 20 × the noise", "coarse_converter", "steps of 20 × the noise, 150 points"),
    ("mains", "barrier_motion", "mains of 20 pA, 3 periods, one site"),
    ("offset that drifts by 2 %", "barrier_motion", "offset drifts by 2 %"),
    ("offset that drifts, one direction only", "barrier_motion", "offset drifts by 2 %, retract only"),
    ("amplifier that lags", "barrier_motion", "lag of 5 ms"),
    ("hysteresis", "barrier_motion", "*hysteresis*"),
    ("creep", "barrier_motion", "*creep*"),
    ("image force at small gap", "bends", "image force, gap 0.6 nm"),
    ("barrier that falls near contact", "bends", "barrier falls by 15 % near contact"),
    ("slope × 0.75 near the surface", "bends", "slope × 0.75 below 0.15 nm"),
    ("slope × 0.9 near the surface", "bends", "slope × 0.9 below 0.15 nm"),
    ("gain that falls at the top", "bends", "gain 3 % low at the top"),
    ("second range with another gain", "bends", "second range, gain 3 % off"),
    ("jumps in a tenth of the sweeps", "barrier", "clean vacuum, 1 pA, 10 % jumping by 1.5"),
    ("in air, zero of the current unknown", "air", "300 afternoons, zero of the current unknown"),
    ("sites that scatter log-normally by 60 %", "averages", "barriers of 4 sites scatter log-normally by 60 %"),
    ("height scale from steps on three days", "height_scale", "3 days that scatter by 2 %*"),
    ("scatter of 5 % from day to day", "days", "1 tip, 3 days, 5 sites, days scatter 5 %"),
)  # fmt: skip
_LEVELS = ("sweep", "site", "tip", "factor")
_COLUMNS = (  # head, words that a measure must hold
    ("sweep", ("coverage", "sweep")), ("site", ("coverage", "site")), ("tip", ("coverage", "tip")),
    ("bias", ("bias",)), ("false flags", ("false",)), ("right flag or bend found", ("right flag", "is found")),
)  # fmt: skip


def regime_lines(folder: Path) -> list[str]:
    """The section of the page of validation, in Markdown."""
    kept = {
        path.stem: list(csv.DictReader(path.read_text(encoding="utf-8").splitlines())) for path in folder.glob("*.csv")
    }
    rows = [_line(*regime, kept.get(regime[1], [])) for regime in REGIMES]
    about = (
        "Benches and sessions that the apparent barrier must be right on, each with the row that proves it. Coverage of stated "
        "95 % intervals by level [%]; bias in standard uncertainties unless it says %; flags in % of sweeps or tips. Bounds and "
        "numbers of trials stand in the table of the study. Bold: out of its bounds; *not yet*: no study is kept."
    )
    head = f"| regime | study: case | {' | '.join(head for head, _ in _COLUMNS)} |"
    return ["## Regimes of I(z)", "", about, "", head, "|" + "---|" * (2 + len(_COLUMNS)), *rows, ""]


def _line(regime: str, study: str, pattern: str, rows: list[dict[str, str]]) -> str:
    case = next((row["case"] for row in rows if fnmatchcase(row["case"], pattern)), "")
    own = [row for row in rows if row["case"] == case]
    cells = [_cell(own, words, all_of=head in ("sweep", "site", "tip")) for head, words in _COLUMNS]
    return f"| {regime} | {f'{study}: {case}' if own else f'{study}: *not yet*'} | {' | '.join(cells)} |"


def _cell(rows: list[dict[str, str]], words: tuple[str, ...], *, all_of: bool) -> str:
    """The first figure whose measure holds all (or one) of these words, with its unit where it is per cent of a bias."""
    for row in rows:
        holds = [word in row["measure"] for word in words]
        unlevelled = (
            words[-1] == "tip" and "coverage" in row["measure"] and not any(w in row["measure"] for w in _LEVELS)
        )
        if unlevelled or (all(holds) if all_of else any(holds)):
            value = f"{float(row['value']):.3g}" + (" %" if "bias" in words and "[%]" in row["measure"] else "")
            return value if row["kept"] == "yes" else f"**{value}**"
    return ""
