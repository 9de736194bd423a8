"""Commands about results: spectra, barrier, compare, report, simulate."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sts.cli.labels import say_unassigned
from sts.cli.options import FOLDER, FORCE, JSON, OUT, PATH, PLAN, SESSION, as_one, plan_from
from sts.cli.result_columns import BARRIERS, COMPARED, LOCKIN, SPECTRA, VERDICTS
from sts.cli.summed import ALL
from sts.cli.terminal import print_frame, print_json, progress, say, text

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import pandas as pd

    from sts.analysis import Analysis, SpectraAnalysis
    from sts.plan import Plan
    from sts.spectra.models import Model

MAYBE_OUT = click.option("--out", type=FOLDER, help="Folder to write to.")
BY = click.option(
    "--by", multiple=True,
    help="Column that groups I(V) sweeps (repeat for more): sample, tip, site ...; else sample, tip and set-point.",
)  # fmt: skip


def _grouped(plan: Plan, by: tuple[str, ...]) -> Plan:
    """The plan with the groups of spectra as asked for."""
    if not by:
        return plan
    return plan.model_copy(update={"spectra": plan.spectra.model_copy(update={"by": list(by)})})


def _folder(out: Path | None) -> Path:
    if out is None:
        raise click.UsageError("Say where to write: --out FOLDER.")
    return out


@dataclass(frozen=True)
class Paper:
    """What a paper shows of the spectra."""

    only: tuple[str, ...]
    labels: tuple[str, ...]
    quantity: str | None
    width_mm: float | None
    decimal: str | None

    @property
    def together(self) -> bool:
        """Whether a figure of them all is asked for."""
        return bool(self.only or self.labels or self.quantity)

    def plan(self, plan: Plan) -> Plan:
        """The plan with width and decimal mark as asked for."""
        asked = {"figure_width_mm": self.width_mm, "decimal": self.decimal}
        changes = {name: value for name, value in asked.items() if value is not None}
        return plan.model_copy(update={"report": plan.report.model_copy(update=changes)})


PAPER = as_one(
    "paper", Paper,
    click.option("--only", multiple=True, metavar="SPECTRUM",
                 help="Only spectra called so, by label or parts of it ('graphite, A'), also in one figure. Repeat for more."),
    click.option("--labels", multiple=True, metavar="WORDS", help="Names in the legend of that figure, one for each: repeat."),
    click.option("--quantity", type=click.Choice(["didv", "normalised", "current"]), help="What that figure shows; else didv."),
    click.option("--width-mm", type=click.FloatRange(30, 400), help="Width of the figures, such as 86."),
    click.option("--decimal", type=click.Choice(["comma", "point"]), help="Decimal mark of the tables in spectra/."),
)  # fmt: skip


@click.command("spectra")
@SESSION
@OUT
@PLAN
@BY
@PAPER
@FORCE
@ALL
@JSON
def spectra_command(
    session: Path, out: Path, plan_file: Path | None, by: tuple[str, ...], *, paper: Paper, force: bool, as_json: bool
) -> int:
    """Average the I(V) sweeps of SESSION to dI/dV and (dI/dV)/(I/V) with error bands."""
    import sts
    from sts.report import Together
    from sts.report.folder import ready_to_write

    plan = paper.plan(_grouped(plan_from(plan_file), by))
    ready_to_write(out, what="spectra", force=force)
    with progress("averaging") as report:
        analysis = sts.analyse(session, plan, only="iv", progress=report)
    assert analysis.spectra is not None
    if paper.only:
        analysis = replace(analysis, spectra=analysis.spectra.pick(paper.only))
    assert analysis.spectra is not None
    together = Together(paper.quantity or "didv", paper.labels) if paper.together else None
    written = sts.write_results(analysis, out, what="spectra", force=force, together=together)
    if as_json:
        print_json(analysis.spectra.summary)
        return 0
    print_spectra(analysis.spectra)
    say(f"{len(written)} files written to {out}.")
    return 0


def print_spectra(spectra: SpectraAnalysis) -> None:
    """The summary of the spectra as a table, then what could not be said."""
    from sts.spectra.models import MODELS

    if len(spectra.summary):
        shown = spectra.summary.assign(label=[spectrum.label for spectrum in spectra.spectra])
        columns = {name: form for name, form in SPECTRA.items() if name != "didv_from" or name in shown}
        print_frame("Spectra", shown, columns, spare=("sweeps_omitted", "gap_method"))
        if "lockin" in shown:
            there = {name: form for name, form in LOCKIN.items() if name in shown}
            print_frame("Lock-in against the numerical derivative", shown[shown["lockin"].notna()], there)
            from sts.report.spectra_words import lockin_words

            for sentence in lockin_words(spectra.spectra):
                say(sentence)
        for model in MODELS:
            if model.key in shown:
                _print_model(model, shown)
    _notes(spectra.notes)


def _print_model(model: Model, shown: pd.DataFrame) -> None:
    """Parameters of a model with their standard uncertainties and the verdict, one row per spectrum."""
    from sts.report.number_words import value_with_uncertainty

    columns: dict[str, tuple[str, Any]] = {"label": ("spectrum", text)}
    shown = shown[shown[model.key].notna()]
    for parameter in model.parameters:
        value, error = model.columns(parameter)
        if value in shown and shown[value].notna().any():
            sized = zip(shown[value], shown[error], strict=True)
            words = [(value_with_uncertainty(v, u, "") if math.isfinite(v) else "-").strip() for v, u in sized]
            shown = shown.assign(**{value: words})
            columns[value] = (f"{parameter.symbol} ± u {parameter.unit}".strip(), text)
    print_frame(model.title, shown, {**columns, model.key: ("fit", text)})


@click.command("barrier")
@SESSION
@MAYBE_OUT
@PLAN
@click.option("--profile", metavar="SWEEP", help="Only look: the profile-likelihood interval of one sweep.")
@FORCE
@ALL
@JSON
def barrier_command(
    session: Path, out: Path | None, plan_file: Path | None, *, profile: str | None, force: bool, as_json: bool
) -> int:
    """Fit the apparent barrier heights of the I(z) sweeps of SESSION; without --out they are only printed."""
    plan = plan_from(plan_file)
    if profile:
        return _profile(session, plan, profile)
    return _barriers((session,), out, plan, "barrier", force=force, as_json=as_json)


def _profile(session: Path, plan: Plan, sweep: str) -> int:
    """Print the interval of one sweep by profile likelihood; nothing is written."""
    import sts
    from sts.barrier.one_sweep import profile_sweep

    with progress("fitting") as report:
        analysis = sts.analyse(session, plan, only="iz", progress=report)
    assert analysis.barrier is not None
    found = profile_sweep(analysis.barrier.fits, sweep, confidence=plan.compare.confidence)
    assert found.interval_eV is not None
    row = analysis.barrier.sweeps.set_index("sweep").loc[sweep]
    level = f"{plan.compare.confidence * 100:g} %"
    say(f"{sweep}: {found.barrier_eV:.3f} eV, {level} from {found.interval_eV[0]:.3f} to {found.interval_eV[1]:.3f} eV by "
        f"profile likelihood (batch: {row['barrier_low_eV']:.3f} to {row['barrier_high_eV']:.3f} eV).")  # fmt: skip
    return 0


@click.command("compare")
@click.argument("sessions", metavar="SESSION...", nargs=-1, required=True, type=PATH)
@click.option(
    "--by",
    default="tip",
    show_default=True,
    help="tip, or a logbook column: that groups tips (made_by ...), or their state (before, after).",
)
@OUT
@PLAN
@FORCE
@ALL
@JSON
def compare_command(
    sessions: tuple[Path, ...], by: str, out: Path, plan_file: Path | None, *, force: bool, as_json: bool
) -> int:
    """Say whether tips, or groups of tips, really differ, in one SESSION or over several.

    Several are taken as one: each under its own calibrations, its sites apart from those of other days, a file of two
    sessions once. They are left as they are.
    """
    plan = plan_from(plan_file)
    plan = plan.model_copy(update={"compare": plan.compare.model_copy(update={"by": by})})
    return _barriers(sessions, out, plan, "compare", force=force, as_json=as_json)


def _barriers(sessions: Sequence[Path], out: Path | None, plan: Plan, what: str, *, force: bool, as_json: bool) -> int:
    import sts
    from sts.report.folder import ready_to_write

    if out is not None:
        ready_to_write(out, what=what, force=force)
    with progress("fitting") as report:
        analysis = sts.analyse(sessions, plan, only="iz", progress=report)
    assert analysis.barrier is not None
    written = sts.write_results(analysis, out, what=what, force=force) if out is not None else []
    if as_json:
        barrier = analysis.barrier
        compared = barrier.changes if len(barrier.changes) else barrier.pairs
        print_json(barrier.tips if what == "barrier" else compared)
        return 0
    print_barriers(analysis, *(COMPARED if what == "compare" else ("steps", "tips", "unassigned")))
    say(
        f"{len(written)} files written to {out}."
        if out is not None
        else "Nothing was written; --out FOLDER writes tables."
    )
    return 0


def print_barriers(analysis: Analysis, *tables: str) -> None:
    """Apparent barrier heights by tip, pairs of tips and groups of tips: those `tables` that have rows; then notes."""
    from sts.report.step_words import tips_of_one_state

    barrier = analysis.barrier
    assert barrier is not None
    level = f"{analysis.plan.compare.confidence * 100:g} % from"
    for name in tables:
        title, columns, spare = BARRIERS[name]
        rows = tips_of_one_state(barrier) if name == "tips" else getattr(barrier, name)
        if len(rows):
            scaled = "total_se_eV" in rows and rows["total_se_eV"].notna().any()
            total = ("total_se_eV", "total_low_eV", "total_high_eV")
            hidden = ("barrier_se_eV",) if scaled else total  # without a known height scale there is no total
            named = {
                column: (heading.replace("LEVEL", level), form)
                for column, (heading, form) in columns.items()
                if column not in hidden
            }
            print_frame(title, rows, named, spare=spare)
    _notes(barrier.notes)


def _notes(notes: Iterable[str]) -> None:
    for note in notes:
        say(f"note: {note}")


@click.command("report")
@SESSION
@MAYBE_OUT
@PLAN
@click.option("--against", type=PATH, help="Only say what moved in a results folder against this older one.")
@click.option("--compare", "older", type=PATH, hidden=True)  # its name before; 'compare' is the command about tips
@BY
@click.option("--pdf", is_flag=True, help="Also write the page as PDF (needs the extra 'pdf').")
@FORCE
@ALL
def report_command(
    session: Path, out: Path | None, plan_file: Path | None, against: Path | None, older: Path | None, *,
    by: tuple[str, ...], pdf: bool, force: bool,
) -> int:  # fmt: skip
    """The whole job: judge, average, fit, compare, and write the page, figures and tables.

    A folder that an earlier report wrote is renewed, and what moved against it is printed. With --against OLD NEW no report
    is written: the two results folders are held against each other, which numbers moved, and why.
    """
    import sts
    from sts.report.differences import compare_results, differences, read_results
    from sts.report.folder import ready_to_write

    if (earlier := against or older) is not None:
        for line in compare_results(earlier, session):
            say(line)
        return 0
    out = _folder(out)
    before = ready_to_write(out, pdf=pdf, force=force, renew=True)
    with progress("analysing") as report:
        analysis = sts.analyse(session, _grouped(plan_from(plan_file), by), progress=report)
    with progress("writing") as report:
        written = sts.write_results(analysis, out, pdf=pdf, force=force, renew=True, progress=report)
    if len(analysis.verdicts):
        print_frame("Which tip was good?", analysis.verdicts, VERDICTS, spare=("jumps", "lost"))
    if analysis.barrier is not None:
        print_barriers(analysis, *BARRIERS)
    if analysis.spectra is not None:
        print_spectra(analysis.spectra)
    say_unassigned(analysis.judged, session)
    left = analysis.judged[~analysis.judged["used"].astype(bool)]
    say(f"{len(analysis.judged)} sweeps judged, {len(left)} left out.")
    if before is not None:
        say(f"Against the report that was in {out}:")
        for line in differences(before, read_results(out)):
            say(line)
    say(f"{len(written)} files written; open {out / 'report.html'}.")
    return 0


@click.command("simulate")
@click.argument("plan_file", required=False, type=PATH)
@click.option("--preset", help="A ready virtual bench; 'list' shows them.")
@MAYBE_OUT
@FORCE
def simulate_command(plan_file: Path | None, preset: str | None, out: Path | None, *, force: bool) -> int:
    """Make sweeps of a virtual junction, with the truth beside them, to try the tool on known numbers."""
    from sts.simulate import PRESETS, simulate_plan

    if preset == "list":
        for name, description in PRESETS.items():
            say(f"{name}: {description}")
        return 0
    if (plan_file is None) == (preset is None):
        raise click.UsageError("Give either a TOML file or --preset NAME ('--preset list' shows the names).")
    out = _folder(out)
    source = preset or plan_file
    assert source is not None
    written = simulate_plan(source, out, force=force)
    say(f"{len(written)} files written to {out}; what is true stands in truth.json.")
    return 0


COMMANDS = (spectra_command, barrier_command, compare_command, report_command, simulate_command)
