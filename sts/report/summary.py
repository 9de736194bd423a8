"""What an analysis says in words, worked out once: page, results.json, captions and notebooks say the same."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import pandas as pd

from sts.analysis import Analysis
from sts.report.advice import improvements
from sts.report.answers import Answer, answers, flag_panel
from sts.report.lookup import all_sweeps
from sts.report.methods import Item, checklist
from sts.report.paragraph import methods_paragraph


@dataclass(frozen=True, eq=False)
class Summary:
    """The words about an analysis; each part is made when it is first asked for."""

    analysis: Analysis

    @cached_property
    def sweeps(self) -> pd.DataFrame:
        """One row per sweep, with what the files and the logbook say beside it."""
        return all_sweeps(self.analysis)

    @cached_property
    def flags(self) -> list[dict[str, Any]]:
        """Flags by kind, those that cost most sweeps first."""
        return flag_panel(self.analysis)

    @cached_property
    def answers(self) -> list[Answer]:
        """The questions of the first screen."""
        return answers(self.analysis, self.flags)

    @cached_property
    def improvements(self) -> list[str]:
        """What would improve the next session most."""
        return improvements(self.analysis)

    @cached_property
    def checklist(self) -> list[Item]:
        """Everything a report must state."""
        return checklist(self.analysis, self.sweeps)

    @cached_property
    def methods(self) -> str:
        """What was done, as text for a paper."""
        return methods_paragraph(self.analysis, self.checklist)
