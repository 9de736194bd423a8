"""A model of spectra as one entry of the list: what it is called, what it finds, and how that is shown."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from scipy.special import ndtri

from sts.spectra.models.fitting import LineFit, Measured

NAN = float("nan")


@dataclass(frozen=True)
class Parameter:
    """A fitted number as it is shown: ``values[name]`` times `scale` is in `unit`."""

    name: str
    symbol: str
    unit: str  # "" is none
    scale: float
    meaning: str

    @property
    def heading(self) -> str:
        """For tables, such as "Δ (meV)"."""
        return f"{self.symbol} ({self.unit})" if self.unit else self.symbol


@dataclass(frozen=True, eq=False)
class Model:
    """A line shape with its fit, as one entry of `sts.spectra.models.MODELS`."""

    key: str  # key of the plan, in [features], that asks for it; also the column of its verdict
    title: str
    stem: str  # its columns begin so
    cites: str  # the work it rests on, by its key in ``citations.toml``
    parameters: tuple[Parameter, ...]  # those that are shown
    fit: Callable[..., LineFit]  # of `Measured`, and of the plan's keys named in `options`
    options: tuple[str, ...] = ()
    why_not: Callable[[Measured, float], str] | None = (
        None  # given the warmest temperature [K]: why it is not tried, or ""
    )

    def columns(self, parameter: Parameter) -> tuple[str, str]:
        """The columns of a parameter and of its standard uncertainty in spectra_summary.csv.

        Parameters
        ----------
        parameter : Parameter
        """
        unit = f"_{parameter.unit}" if parameter.unit else ""
        return f"{self.stem}_{parameter.name}{unit}", f"{self.stem}_{parameter.name}_se{unit}"

    def ends(self, parameter: Parameter) -> tuple[str, str]:
        """The columns of the ends of its interval.

        Parameters
        ----------
        parameter : Parameter
        """
        unit = f"_{parameter.unit}" if parameter.unit else ""
        return f"{self.stem}_{parameter.name}_low{unit}", f"{self.stem}_{parameter.name}_high{unit}"

    def row(self, fit: LineFit, confidence: float = 0.95) -> dict[str, Any]:
        """What a fit says, by column: parameters that were free with their intervals, verdict, reduced chi².

        Parameters
        ----------
        fit : LineFit
        confidence : float
            Of the intervals, which are those of a normal distribution.
        """
        reach = float(ndtri(0.5 + confidence / 2))
        found: dict[str, Any] = {}
        for p in self.parameters:
            if p.name in fit.errors or p.name not in fit.values:
                value, error = self.columns(p)
                found[value] = p.scale * fit.values.get(p.name, NAN)
                found[error] = p.scale * fit.errors.get(p.name, NAN)
                for end, sign in zip(self.ends(p), (-1, 1), strict=True):
                    found[end] = found[value] + sign * reach * found[error]
        return {**found, self.key: fit.verdict, f"{self.stem}_reduced_chi2": fit.reduced_chi2}

    def numbers(self, fit: LineFit) -> dict[str, Any]:
        """Everything a fit found, for results.json: all parameters in SI, uncertainties of the free ones, how good it is.

        Parameters
        ----------
        fit : LineFit
        """
        return {"verdict": fit.verdict, "values": fit.values, "errors": fit.errors, "reduced_chi2": fit.reduced_chi2,
                "run_test_p": fit.run_test_p, "correlation": fit.correlation.tolist(), "misfit": fit.misfit}  # fmt: skip

    def meanings(self) -> dict[str, str]:
        """Each of its columns with what stands there."""
        found: dict[str, str] = {}
        for p in self.parameters:
            value, error = self.columns(p)
            low, high = self.ends(p)
            found |= {
                value: p.meaning,
                error: "its standard uncertainty",
                low: "lower end of its interval",
                high: "upper end",
            }
        return {
            **found,
            self.key: "whether that fit is good, in words",
            f"{self.stem}_reduced_chi2": "its reduced chi²",
        }
