"""Every sentence that `sts check` and the first screen of the page say of measured sweeps, each read and held to be true.

Words and flags are listed with what makes them true (README of each set); measured numbers within sentences are those of the
data. What is said of gaps is left to the tests of gaps.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import keeping
import pytest

import sts
from sts.analysis import Analysis
from sts.cli import main
from sts.report.spectra_words import didv_from_words
from sts.report.summary import Summary

RECIPES = Path(__file__).resolve().parents[1] / "recipes"

JUDGED = {  # what `check` says of each sweep, by file and recipe
    ("cbt-array-calibration/d475.csv", "cbt-copper.toml"): {},
    ("cbt-array-calibration/d475.csv", "cbt-indium.toml"): {},
    ("sts-nbs2-line/figure3b_sts.txt", "nbs2.toml"): {},
    (
        "nis-eus-al-sample1/run15_selected_spectra.csv",
        "nis-selected.toml",
    ): {},  # flanks of 5 to 10 samples are no jumps
    ("nis-eus-al-sample1/run16_selected_spectra.csv", "nis-selected.toml"): {},
    ("rram-cu-taox-pt-iv/w1_form_50uA.csv", "rram.toml"): {  # its operator: 3.85 V
        "w1_form_50uA": "46 samples, 3875 to 5000 mV; the current changes by a factor of 579 at 3850 mV"
    },
    ("rram-cu-taox-pt-iv/w1_set_50uA.csv", "rram.toml"): {  # 4.35 V, steps of 0.05 V
        "w1_set_50uA": "14 samples, 4350 to 5000 mV; the current changes by a factor of # at 4300 mV"
    },
    ("rram-cu-taox-pt-iv/w1_set_20uA_a.csv", "rram.toml"): {  # 1.7 V
        "w1_set_20uA_a": "66 samples, 1750 to 5000 mV; the current changes by a factor of # at 1700 mV"
    },
    ("rram-cu-taox-pt-iv/w1_set_20uA_b.csv", "rram.toml"): {  # 4.3 V
        "w1_set_20uA_b": "15 samples, 4300 to 5000 mV; the current changes by a factor of # at 4250 mV"
    },
    ("rram-cu-taox-pt-iv/w1_reset_8mA.csv", "rram.toml"): {  # -1.3 V, between -1.30 and -1.25 V
        "w1_reset_8mA": "5 samples, -1200 to -1000 mV; the current changes by a factor of # at -1250 mV"
    },
}
LOCKIN = {  # README: they agree to 0.4 to 0.5 %; the second array's is off by 2.5 to 3.2 %
    "cbt-copper.toml": r"agrees: lock-in / numerical dI/dV is 0\.99\d+ ± 0\.00\d+; ∫lock-in dV / ΔI is 0\.99\d+ ± 0\.00\d+",
    "cbt-indium.toml": r"mismatch: lock-in / numerical dI/dV is 1\.02\d+ ± 0\.00\d+; the lock-in is off by 2\.\d %: check "
    "sensitivity and amplitude",
}


FIRST_SCREEN = {  # beside the sets with a lock-in channel; read and judged line by line against their README, then kept
    "sts-nbs2-line/figure3b_sts.txt",
    "nis-eus-al-sample1/run15_selected_spectra.csv",
    "rram-cu-taox-pt-iv/w1_reset_8mA.csv",
}


@pytest.mark.parametrize(("file", "recipe"), list(JUDGED), ids=lambda name: Path(name).stem)
def test_every_sentence_about_a_measured_sweep_is_true(opendata, tmp_path, capsys, request, file, recipe):
    session = tmp_path / "s.h5"
    assert main(["import", str(opendata / file), "--recipe", str(RECIPES / recipe), "--into", str(session)]) == 0
    capsys.readouterr()
    assert main(["check", str(session), "--json"]) == 0
    said = {row["sweep"]: row["reasons"] for row in json.loads(capsys.readouterr().out) if row["reasons"]}
    wanted = JUDGED[file, recipe]
    assert said.keys() == wanted.keys()
    for sweep, words in wanted.items():
        assert re.fullmatch(re.escape(words).replace(r"\#", r"\S+"), said[sweep]), said[sweep]
    if recipe not in LOCKIN and file not in FIRST_SCREEN:
        return
    analysis = sts.analyse(session)
    if recipe in LOCKIN:
        (verdict,) = analysis.spectra.summary["lockin"]
        assert re.fullmatch(LOCKIN[recipe], verdict), verdict
    path = Path(__file__).parent / "kept" / f"{Path(file).stem}_{Path(recipe).stem}.txt"
    keeping.compare(path, first_screen(analysis), renew=request.config.getoption("--renew"))


def first_screen(analysis: Analysis) -> list[str]:
    """What the page's first screen says: answers with what to mind, what would improve the next session, flags and notes."""
    summary = Summary(analysis)
    lines = [part for one in summary.answers for part in (one.sentence, one.warning) if part]
    lines += summary.improvements
    lines += [f"{row['flag']}: {row['meaning']}; {row['remedy']}. {row['example']}" for row in summary.flags]
    if analysis.spectra is not None:
        lines += [words for words in dict.fromkeys(map(didv_from_words, analysis.spectra.spectra)) if words]
        lines += analysis.spectra.notes
    return lines
