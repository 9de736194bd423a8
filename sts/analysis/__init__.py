"""The whole analysis of a session: sweeps measured, selected, and summarised."""

from .how_many import how_many
from .measured import Measured, judge, measure
from .record import TipRecord, tip_record
from .results import Analysis, BarrierAnalysis, SpectraAnalysis
from .run import analyse
from .sweep_view import BiasView, Curve, HeightView, Place, curves_of, view_of

__all__ = [
    "Analysis",
    "BarrierAnalysis",
    "BiasView",
    "Curve",
    "HeightView",
    "Measured",
    "Place",
    "SpectraAnalysis",
    "TipRecord",
    "analyse",
    "curves_of",
    "how_many",
    "judge",
    "measure",
    "tip_record",
    "view_of",
]
