"""The arrays of the results as one HDF5 file."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import h5py
import numpy as np

from sts.analysis import Analysis
from sts.spectra.lockin.comparison import LockinCalibration

RESULTS_FORMAT = 1


def arrays_file(analysis: Analysis) -> bytes:
    """The arrays of the results as HDF5, without times in it.

    Parameters
    ----------
    analysis : Analysis
    """
    with h5py.File("results.h5", "w", driver="core", backing_store=False, track_order=False) as file:
        file.attrs["sts_results_format"] = RESULTS_FORMAT
        if analysis.barrier is not None:
            for number, fit in enumerate(analysis.barrier.fits, 1):
                group = file.create_group(f"barrier_{number:03d}")
                _put(group, "sweep", np.array([str(n) for n in fit.table["sweep"]], dtype=object))
                for name, unit in (
                    ("height", "m"),
                    ("current", "A"),
                    ("fitted", "A"),
                    ("residual", "1"),
                    ("used_points", "1"),
                    ("offset", "A"),
                ):
                    _put(group, name, getattr(fit, name), unit)
        if analysis.spectra is not None:
            for number, one in enumerate(analysis.spectra.spectra, 1):
                group = file.create_group(f"spectrum_{number:03d}")
                group.attrs["label"] = one.label
                _put(group, "sweep", np.array(one.sweeps, dtype=object))
                for name, unit in _SPECTRUM_ARRAYS:
                    if getattr(one, name) is not None:
                        _put(group, name, getattr(one, name), one.didv_unit if unit == "didv" else unit)
                if one.broadened is not None:
                    into = group.create_group("broadened")  # (dI/dV) over I/V broadened by a kernel
                    for name in ("kind", "width_V", "why"):
                        into.attrs[name] = getattr(one.broadened, name)
                    for name in ("value", "se", "low", "high", "trusted"):
                        _put(into, name, getattr(one.broadened, name), "1")
                if one.source is not None:
                    for name in ("channel", "why", "gain", "gain_se", "zero_S", "zero_se_S"):
                        group.attrs[f"didv_from_{name}"] = getattr(one.source, name)
                if one.lockin is not None:
                    _put_lockin(group.create_group("lockin"), one.lockin)
                for key, model in sorted(one.fits.items()):
                    into = group.create_group(f"fits/{key}")
                    into.attrs["verdict"] = model.verdict
                    for name, value in model.values.items():
                        into.attrs[name], into.attrs[f"{name}_se"] = value, model.errors.get(name, 0.0)
                    _put(into, "fitted", model.fitted, one.didv_unit)
                    _put(into, "residual", model.residual, "1")  # over the standard uncertainty
        file.flush()
        return bytes(file.id.get_file_image())


def _put_lockin(into: h5py.Group, found: LockinCalibration) -> None:
    """Gain, intercept and ∫lock-in dV / ΔI with their intervals, the verdict, and the mean channel."""
    for name in ("gain", "gain_se", "gain_low", "gain_high", "intercept", "intercept_se", "sweeps", "verdict"):
        into.attrs[name] = getattr(found, name)
    if found.end_to_end is not None:
        for name, value in asdict(found.end_to_end).items():
            into.attrs[f"integral_{name}".removesuffix("_value")] = value
    if found.curve is not None:
        _put(into, "curve", found.curve, found.unit)


_SPECTRUM_ARRAYS = (
    ("bias", "V"),
    ("current", "A"),
    ("current_se", "A"),
    ("didv", "didv"),
    ("didv_se", "didv"),
    ("didv_low", "didv"),
    ("didv_high", "didv"),
    ("normalised", "1"),
    ("normalised_se", "1"),
    ("normalised_low", "1"),
    ("normalised_high", "1"),
    ("trusted", "1"),
    ("current_each", "A"),
    ("didv_each", "didv"),
    ("half_difference", "A"),
    ("half_difference_fit", "A"),
)


def _put(group: h5py.Group, name: str, values: Any, unit: str = "") -> None:
    array = np.asarray(values)
    if array.dtype == object:
        data = group.create_dataset(name, data=array, dtype=h5py.string_dtype(), track_times=False)
    else:
        packed = {"compression": "gzip", "shuffle": True} if array.size > 1000 else {}
        data = group.create_dataset(name, data=array, track_times=False, **packed)
    if unit:
        data.attrs["units"] = unit
