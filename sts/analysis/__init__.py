"""The whole analysis of a session: sweeps measured, selected, and summarised."""

from .measured import Measured, judge, measure
from .results import Analysis, BarrierAnalysis, SpectraAnalysis
from .run import analyse

__all__ = ["Analysis", "BarrierAnalysis", "Measured", "SpectraAnalysis", "analyse", "judge", "measure"]
