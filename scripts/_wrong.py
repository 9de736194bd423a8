"""Ten ways to be wrong with this tool, each done to simulated sweeps of known truth: pictures of ``docs/how-to-be-wrong.md``.

Every panel holds its claim against the numbers that it draws and stops where the tool no longer gives them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from scipy.signal import find_peaks

import sts
from sts.analysis import Analysis, BarrierAnalysis
from sts.comparing.groups import compare_groups
from sts.comparing.uncertainty_budget import corrected_barrier
from sts.plan import ComparePlan, SpectraPlan
from sts.simulate import Bench, superconductor, tunnel_conductance, two_peaks

RIGHT, WRONG, TRUTH = "#1b4f8a", "#c0281c", "#5a6470"
QUIET = Bench(white_A=1e-12, gap_noise=0.005)


def _session(path: Path, parts: Iterable[tuple[str, sts.SweepSet]], names: str) -> Path:
    """A session of sets of I(z), one file each, in order of measurement; labels are read from the names."""
    path.parent.mkdir(parents=True, exist_ok=True)
    files = []
    for name, sweeps in parts:
        files.append(path.parent / f"{name}.npz")
        np.savez(files[-1], height_m=sweeps.axis, current_A=sweeps.current)
    sts.import_files(files, path, names=[names])
    return path


def _iz(barrier_eV: float, seed: int, repeats: int = 1) -> sts.SweepSet:
    height = (0.0, 0.4e-9, 80)
    return sts.simulate_iz(barrier_eV=barrier_eV, height=height, sweeps=repeats, bench=QUIET, seed=seed).sweeps


def _analysed(session: Path, plan: sts.Plan | None = None) -> tuple[Analysis, BarrierAnalysis]:
    found = sts.analyse(session, plan, only="iz")
    assert found.barrier is not None
    return found, found.barrier


def _interval(session: Path, plan: sts.Plan | None = None) -> tuple[float, float, float]:
    tips = _analysed(session, plan)[1].tips
    return tuple(float(tips[name].iloc[0]) for name in ("barrier_eV", "barrier_low_eV", "barrier_high_eV"))  # type: ignore[return-value]


def _bars(axes: Axes, rows: list[tuple[float, float, float]], *, at: float, truth: float) -> int:
    """Draw intervals side by side; how many hold the truth."""
    held = 0
    for number, (middle, low, high) in enumerate(rows):
        inside = low <= truth <= high
        held += inside
        x = at + 0.8 * number / len(rows)
        axes.plot([x, x], [low, high], color=RIGHT if inside else WRONG, lw=1.6, solid_capstyle="butt")
        axes.plot(x, middle, ".", ms=3, color=RIGHT if inside else WRONG)
    return held


def repeats_for_sites(axes: Axes, folder: Path) -> None:
    """Twelve sessions of one tip of 4.4 eV: three sites that scatter by 6 %, eight repeats at each."""
    generator = np.random.default_rng(1)
    said: dict[str, list[tuple[float, float, float]]] = {"sites": [], "repeats": []}
    for number in range(12):
        made = [(site, _iz(4.4 * np.exp(0.06 * generator.normal()), 100 * number + site, 8)) for site in range(3)]
        own = folder / f"pooled{number}"
        said["sites"].append(_interval(_session(own / "a.h5", ((f"t_{s}", m) for s, m in made), "{tip}_{site}.npz")))
        single = [
            (
                f"t_{s}x{r}",
                sts.SweepSet("iz", m.axis, m.current[r : r + 1], m.table.iloc[r : r + 1].reset_index(drop=True)),
            )
            for s, m in made
            for r in range(8)
        ]
        said["repeats"].append(_interval(_session(own / "b.h5", single, "{tip}_{site}.npz")))
    held = [_bars(axes, rows, at=x, truth=4.4) for x, rows in enumerate(said.values())]
    assert held[0] >= 10, held
    assert held[1] <= 9, held
    axes.axhline(4.4, color=TRUTH, lw=0.8)
    axes.set_xticks([0.4, 1.4], [f"three sites:\n{held[0]} of 12 hold it", f"each repeat a “site”:\n{held[1]} of 12"])
    axes.set_ylabel("barrier [eV], true 4.4")


def height_scale(axes: Axes, folder: Path) -> None:
    """Two tips read with a height scale that is off by up to 10 %."""
    off = np.array([-10.0, -5.0, 0.0, 5.0, 10.0])
    read = np.array([[_scaled(barrier, 1 + share / 100) for share in off] for barrier in (4.4, 4.0)])
    assert np.allclose(read[0] / 4.4, (1 + off / 100) ** -2, rtol=0.01)
    assert np.allclose(read[0] / read[1], 1.1, rtol=0.01)
    for row, marker, name in zip(read, "os", ("tip of 4.4 eV", "tip of 4.0 eV"), strict=True):
        axes.plot(off, row, marker=marker, ms=3.5, color=WRONG, lw=1, label=name, alpha=1 if marker == "o" else 0.6)
    axes.plot(off, 4.4 * read[0] / read[1] / 1.1, ls="--", color=RIGHT, label="ratio of both, × 4")
    axes.set(xlabel="heights stated too large by [%]", ylabel="barrier [eV]")
    axes.legend(frameon=False, fontsize=7)


def _scaled(barrier_eV: float, factor: float) -> float:
    sweeps = _iz(barrier_eV, 5, 4)
    stretched = sts.SweepSet("iz", sweeps.axis * factor, sweeps.current, sweeps.table)
    return float(sts.fit_barrier(stretched).table["barrier_eV"].mean())


def work_function(axes: Axes, folder: Path) -> None:
    """The barrier of a clean junction whose apparent height is 4.4 eV, by the width of its gap."""
    gap = np.linspace(0.45, 1.2, 16)
    behind = [corrected_barrier(4.4, ["image force"], bias_V=None, gap_nm=float(one)) for one in gap]
    assert 5.0 < behind[-3] < 5.2
    assert behind[0] > 5.7
    axes.plot(gap, behind, color=RIGHT, label="mean work function, classical image")
    axes.axhline(4.4, color=WRONG, label="apparent barrier")
    axes.set(xlabel="gap [nm], which nobody measures", ylabel="[eV]", ylim=(4, 6.2))
    axes.legend(frameon=False, fontsize=7)


def chosen_by_result(axes: Axes, folder: Path) -> None:
    """Leave out the third of every site that reads lowest, and look at the interval."""
    generator = np.random.default_rng(3)
    parts = []
    for site in range(4):
        here = 4.4 * np.exp(0.05 * generator.normal())
        parts += [
            (f"t_{site}_{r}", _iz(here * np.exp(0.03 * generator.normal()), int(generator.integers(1 << 30))))
            for r in range(6)
        ]
    path = _session(folder / "chosen" / "a.h5", parts, "{tip}_{site}_{repeat}.npz")
    _, before = _analysed(path)
    each = before.sweeps.sort_values("barrier_eV")
    lowest = list(each.groupby("site")["sweep"].head(2))
    sts.Session.open(path).mark(lowest, "omit", "looks low")
    found, after = _analysed(path)
    cautions = found.by_hand.cautions
    assert cautions, "leaving out the lowest third is no longer cautioned against"
    place = {name: x for x, name in enumerate(before.sweeps["sweep"])}
    for name, value in zip(each["sweep"], each["barrier_eV"], strict=True):
        out = name in lowest
        axes.plot(place[name], value, "x" if out else ".", color=WRONG if out else TRUTH, ms=5)
    for x, (tips, color) in enumerate(((before.tips, RIGHT), (after.tips, WRONG))):
        axes.errorbar(
            27 + 4 * x,
            tips["barrier_eV"].iloc[0],
            [
                [(tips["barrier_eV"] - tips["barrier_low_eV"]).iloc[0]],
                [(tips["barrier_high_eV"] - tips["barrier_eV"]).iloc[0]],
            ],
            fmt="o",
            ms=4,
            color=color,
        )
    axes.set_xticks([12, 27, 31], ["24 sweeps", "all", "chosen"])
    axes.set_ylabel("barrier [eV]")


def too_smooth(axes: Axes, folder: Path) -> None:
    """Two peaks through the smoothing that the repeats choose, and through a width of one's own."""
    made = sts.simulate_iv(
        density=two_peaks(first_eV=-0.13, second_eV=0.13),
        temperature_K=77.0,
        sweeps=6,
        bench=Bench(white_A=2e-12, gap_noise=0.003),
        seed=4,
    ).sweeps
    peaks = {}
    for label, width, color in (("chosen from the repeats", None, RIGHT), ("400 mV by hand", 0.4, WRONG)):
        spectrum = sts.average_spectrum(made, sts.Plan(spectra=SpectraPlan(smoothing_width_V=width)))
        peaks[label] = len(find_peaks(spectrum.didv, prominence=0.1 * spectrum.didv.max())[0])
        axes.fill_between(
            spectrum.bias, 1e9 * spectrum.didv_low, 1e9 * spectrum.didv_high, color=color, alpha=0.3, lw=0
        )
        axes.plot(spectrum.bias, 1e9 * spectrum.didv, color=color, lw=1.2, label=label)
    assert list(peaks.values()) == [2, 1], peaks
    axes.set(xlabel="bias [V]", ylabel="dI/dV [nS]")
    axes.legend(frameon=False, fontsize=7)


def read_at_zero(axes: Axes, folder: Path) -> None:
    """(dI/dV)/(I/V) of a plain metal, 1 everywhere, with an offset of 4 pA left in and taken out."""
    bench = Bench(white_A=5e-13, current_offset_A=4e-12)
    made = sts.simulate_iv(bias=(-0.2, 0.2, 161), setpoint_current_A=1e-10, sweeps=6, bench=bench, seed=2).sweeps
    off = {}
    for what, plan, color in (("keep", SpectraPlan(offsets="keep"), WRONG), ("remove", SpectraPlan(), RIGHT)):
        spectrum = sts.average_spectrum(made, sts.Plan(spectra=plan))
        off[what] = float(np.nanmax(np.abs(spectrum.normalised - 1)))
        label = {"keep": "zero of the current left 4 pA off", "remove": "zero crossing removed"}[what]
        axes.plot(1e3 * spectrum.bias, spectrum.normalised, color=color, lw=1.2, label=label)
        assert not spectrum.trusted.any()  # one set-point does not tell the two offsets apart
    assert off["keep"] > 3, off
    assert off["remove"] < 0.05, off
    axes.set(xlabel="bias [mV]", ylabel="(dI/dV)/(I/V), true 1", ylim=(-2, 4))
    axes.legend(frameon=False, fontsize=7)


def cold_enough(axes: Axes, folder: Path) -> None:
    """A superconductor with electrons at 1.0 K, fitted with a bath at 0.4 K."""
    bias = np.linspace(-5e-3, 5e-3, 201)
    clean = tunnel_conductance(bias, superconductor(gap_eV=1.35e-3, broadening_eV=2e-5), temperature_K=1.0)
    clean = clean / clean[0]
    noise = 0.02
    measured = clean + noise * np.random.default_rng(1).standard_normal(bias.size)
    told = {}
    axes.plot(1e3 * bias, measured, ".", ms=2, color=TRUTH)
    for kelvin, color in ((1.0, RIGHT), (0.4, WRONG)):
        fit = sts.fit_superconducting_gap(bias, measured, np.full(bias.size, noise), temperature_K=kelvin)
        told[kelvin] = fit
        axes.plot(
            1e3 * bias,
            fit.fitted,
            color=color,
            lw=1,
            label=f"{kelvin:g} K stated: Γ {1e3 * fit.broadening_meV:.0f} µeV ({fit.verdict.split(':')[0]})",
        )
    assert abs(told[1.0].broadening_meV - 0.02) < 4 * told[1.0].broadening_se_meV + 0.01
    assert told[0.4].broadening_meV > 3 * told[1.0].broadening_meV
    axes.set(xlabel="bias [mV]", ylabel="dI/dV, normal 1", ylim=(-0.1, 3.0))
    axes.legend(frameon=False, fontsize=7, loc="upper center")


def wrong_labels(axes: Axes, folder: Path) -> None:
    """Tips of 4.4 and 3.7 eV, four sites each; then one site of each is entered under the other tip."""
    generator = np.random.default_rng(6)
    made = {
        (tip, site): _iz(barrier * np.exp(0.03 * generator.normal()), 40 + 4 * number + site, 3)
        for number, (tip, barrier) in enumerate((("heron", 4.4), ("stork", 3.7)))
        for site in range(4)
    }
    swapped = {("heron", 2): ("stork", 2), ("stork", 2): ("heron", 2)}
    shown = {}
    for label, names in (("right labels", {}), ("two sites swapped", swapped)):
        parts = [("_".join(map(str, names.get(key, key))), sweeps) for key, sweeps in made.items()]
        path = _session(folder / label.replace(" ", "-") / "a.h5", parts, "{tip}_{site}.npz")
        row = _analysed(path)[1].pairs.iloc[0]
        shown[label] = [float(row[name]) for name in ("ratio", "ratio_low", "ratio_high")]
    assert shown["right labels"][1] > 1, shown
    assert shown["two sites swapped"][1] < 1, shown
    for x, (ratio, low, high) in enumerate(shown.values()):
        axes.errorbar(x, ratio, [[ratio - low], [high - ratio]], fmt="o", ms=4, color=(RIGHT, WRONG)[x])
    axes.axhline(1, color=TRUTH, lw=0.8)
    axes.axhline(4.4 / 3.7, color=TRUTH, lw=0.8, ls="--")
    axes.set_xticks([0, 1], list(shown))
    axes.set(xlim=(-0.6, 1.6), ylabel="ratio of two tips, true 1.19")


def drift_for_treatment(axes: Axes, folder: Path) -> None:
    """A tip that falls by 10 % over an afternoon, nothing done to it: first all before, then all after, and in turns."""
    orders = {"first all before": [0, 0, 0, 0, 1, 1, 1, 1], "in turns": [0, 1, 1, 0, 0, 1, 1, 0]}
    sites = {"first all before": [1, 2, 3, 4, 1, 2, 3, 4], "in turns": [1, 1, 2, 2, 3, 3, 4, 4]}
    ratios = {}
    for number, (label, order) in enumerate(orders.items()):
        generator = np.random.default_rng(8)
        place = np.exp(0.04 * generator.normal(size=5))
        own = folder / f"drift{number}"
        parts = []
        for visit, (after, site) in enumerate(zip(order, sites[label], strict=True)):
            parts.append((f"{visit}_t_{site}_{'after' if after else 'before'}",
                          _iz(4.4 * place[site] * (1 - 0.10 * visit / 7), 80 + visit, 3)))  # fmt: skip
        path = _session(own / "a.h5", parts, "{file}_{tip}_{site}_{state}.npz")
        _, results = _analysed(path, sts.Plan(compare=ComparePlan(by="state")))
        row = results.changes.iloc[0]
        ratios[label] = tuple(float(row[name]) for name in ("ratio", "ratio_low", "ratio_high"))
        for visit, (after, site) in enumerate(zip(order, sites[label], strict=True)):
            axes.plot(0.08 * visit + number - 0.3, 4.4 * place[site] * (1 - 0.1 * visit / 7) / 4.4 - 0.35,
                      "o" if after else "s", ms=3, mfc="white" if after else TRUTH, color=TRUTH)  # fmt: skip
    for x, (ratio, low, high) in enumerate(ratios.values()):
        axes.errorbar(x, ratio, [[ratio - low], [high - ratio]], fmt="o", ms=4, color=(WRONG, RIGHT)[x])
    assert ratios["first all before"][2] < 1, ratios
    assert ratios["in turns"][1] < 1 < ratios["in turns"][2], ratios
    axes.axhline(1, color=TRUTH, lw=0.8)
    axes.text(0.5, 0.75, "■ before   ○ after, in order of measurement", fontsize=7, ha="center", color=TRUTH)
    axes.set_xticks([0, 1], list(ratios))
    axes.set(xlim=(-0.6, 1.6), ylabel="after / before, true 1")


def many_questions(axes: Axes, folder: Path) -> None:
    """Twelve equal tips asked twenty questions: twenty columns of a logbook, filled in by chance."""
    generator = np.random.default_rng(13)
    tips = pd.DataFrame(
        {
            "sample": "gold",
            "tip": [f"t{n}" for n in range(12)],
            "barrier_eV": 4.4 * np.exp(0.05 * generator.normal(size=12)),
        }
    )
    found = []
    for _ in range(20):
        tips["asked"] = generator.permutation(["a", "b"] * 6)
        found.append(float(compare_groups(tips, "asked").tests["p"].iloc[0]))
    p = np.sort(np.array(found))
    assert 0 < (p < 0.05).sum() < 5, p
    assert p[0] > 0.05 / 20, p
    axes.semilogy(np.arange(1, 21), p, "o", ms=3.5, color=TRUTH)
    axes.semilogy(np.arange(1, 21)[p < 0.05], p[p < 0.05], "o", ms=4.5, color=WRONG)
    axes.axhline(0.05, color=WRONG, lw=0.8, label="0.05, one question")
    axes.axhline(0.05 / 20, color=RIGHT, lw=0.8, label="0.05 / 20, twenty questions (Bonferroni)")
    axes.set(xlabel="question, by its p", ylabel="p", ylim=(1e-3, 1.5))
    axes.legend(frameon=False, fontsize=7, loc="lower right")


PANELS: dict[str, Callable[[Axes, Path], None]] = {
    "repeats-for-sites": repeats_for_sites,
    "height-scale": height_scale,
    "work-function": work_function,
    "chosen-by-result": chosen_by_result,
    "too-smooth": too_smooth,
    "read-at-zero": read_at_zero,
    "cold-enough": cold_enough,
    "wrong-labels": wrong_labels,
    "drift-for-treatment": drift_for_treatment,
    "many-questions": many_questions,
}
