"""Commands about the session: list, mark, calibrate, export, merge, rescue."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sts.cli.options import BY, FORCE, JSON, OUT, PATH, SESSION, WHICH, Which, as_one
from sts.cli.summed import ALL
from sts.cli.terminal import Columns, count, number, print_frame, print_json, say, show, size, text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from sts.comparing.calibration import Calibration
    from sts.comparing.step_heights import StepScale

_SWEEPS: Columns = {
    "sweep": ("sweep", text), "kind": ("kind", text), "sample": ("sample", text), "tip": ("tip", text),
    "site": ("site", text), "direction": ("direction", text), "repeat": ("repeat", number(0)),
    "points": ("points", number(0)), "setpoint_current_A": ("set-point", size("A")),
    "temperature_K": ("T", size("K")),
}  # fmt: skip
_SOURCES: Columns = {
    "name": ("file", text), "size": ("bytes", number(0)), "reader": ("reader", text), "imported": ("imported", text),
    "sha256": ("SHA-256", text),
}  # fmt: skip
_DECISIONS: Columns = {
    "time": ("time", text), "sweep": ("sweep", text), "action": ("decision", text), "why": ("why", text),
    "by": ("by", lambda name: name or "not recorded"),
}  # fmt: skip
_CALIBRATIONS: Columns = {
    "kind": ("scale", text), "factor": ("factor", number(4)), "factor_se": ("uncertainty", number(4)),
    "source": ("source", text), "time": ("stored", text),
}  # fmt: skip
_FATES = {"omit": "to be left out", "keep": "to be kept", "undo": "back to the rules"}
_WHAT_TO_DO = "Say what to do with these sweeps: one of --omit, --keep or --undo."


@click.command("list")
@SESSION
@WHICH
@click.option("--sources", is_flag=True, help="List the imported files instead.")
@ALL
@JSON
def list_command(session: Path, which: Which, *, sources: bool, as_json: bool) -> int:
    """List the sweeps of SESSION."""
    import sts

    opened = sts.Session.open(session)
    if sources:
        files = opened.sources()
        show(files, _SOURCES, as_json=as_json, none="0 files.", last=f"{count(len(files), 'file')}.")
        return 0
    table = opened.sweeps(which.kind)
    if which.said:
        table = table[table["sweep"].isin(opened.find(**which.said))]
    if as_json:
        print_json(table)
        return 0
    print_frame("", table, _SWEEPS, spare=("points", "repeat", "kind", "temperature_K", "setpoint_current_A"))
    tips, samples = (len(set(table[column]) - {""}) for column in ("tip", "sample"))
    unassigned = int((table["tip"] == "").sum())
    without = f" ({unassigned} of the sweeps without a tip)" if unassigned else ""
    say(f"{count(len(table), 'sweep')}, {count(tips, 'tip')}, {count(samples, 'sample')}{without}.")
    return 0


@dataclass(frozen=True)
class _Decision:
    """What to do with sweeps, why, and who says so."""

    omit: bool
    keep: bool
    undo: bool
    why: str
    by: str | None

    @property
    def action(self) -> str:
        """The one that was asked for; "" for none."""
        said = [name for name in ("omit", "keep", "undo") if getattr(self, name)]
        if len(said) > 1:
            raise click.UsageError(_WHAT_TO_DO)
        return said[0] if said else ""


@click.command("mark")
@SESSION
@click.argument("sweeps", nargs=-1)
@as_one(
    "decision", _Decision,
    click.option("--omit", is_flag=True, help="Leave these sweeps out."),
    click.option("--keep", is_flag=True, help="Use these sweeps, whatever the rules say."),
    click.option("--undo", is_flag=True, help="Take the last decision on these sweeps back."),
    click.option("--why", default="", help="The reason; it goes into the report."),
    BY,
)  # fmt: skip
@WHICH
@click.option("--from", "table", type=PATH, help="CSV or XLSX with columns sweep (or file) and why.")
@click.option("--dry-run", is_flag=True, help="Only show which sweeps these are.")
@ALL
@JSON
def mark_command(
    session: Path, sweeps: tuple[str, ...], decision: _Decision, which: Which, *, table: Path | None,
    dry_run: bool, as_json: bool,
) -> int:  # fmt: skip
    """Decide about SWEEPS of SESSION, with a reason; without sweeps, show every decision taken.

    SWEEPS are names or patterns with * and ?. With --sample, --tip, --site or --kind those that fit all of it; these
    alone pick all their sweeps. The sweeps are named before anything is written.
    """
    import sts
    from sts.importing import read_reasons

    opened = sts.Session.open(session)
    chosen = bool(sweeps or which.said or table)
    action, why = decision.action, decision.why
    if not chosen and not action:
        show(opened.decisions(), _DECISIONS, as_json=as_json, none="No decision has been taken in this session.")
        return 0
    if not action:
        raise click.UsageError(_WHAT_TO_DO)
    if not chosen:
        raise click.UsageError(f"Name the sweeps to {action}; 'sts list {session}' shows their names.")
    if table is not None and (sweeps or which.said):
        raise click.UsageError("Give either --from FILE, or sweeps.")
    if table is not None:
        reasons = read_reasons(opened, table, why, needed=action != "undo")
    else:
        reasons = {why: opened.find(sweeps, **which.said)}
    if action == "undo":
        reasons = _decided(reasons, opened.current_decisions(), sweeps)
    opened.mark_all(action, reasons, dry_run=True)  # what cannot be done is said before anything else
    names = [name for group in reasons.values() for name in group]
    if not as_json:
        more = f" and {len(names) - 30} more" if len(names) > 30 else ""
        say(f"{count(len(names), 'sweep')} {_FATES[action]}: {', '.join(names[:30])}{more}")
    if not dry_run:
        opened.mark_all(action, reasons, by=decision.by)
    if as_json:
        print_json(opened.decisions())
    elif dry_run:
        say("Nothing was written (--dry-run).")
    else:
        say("Written." if action == "undo" else "Written. To take it back: the same with --undo.")
    return 0


def _decided(
    reasons: dict[str, list[str]], standing: Mapping[str, object], named: Sequence[str]
) -> dict[str, list[str]]:
    """Of sweeps found by pattern or label those with a decision to take back; those named stay, whatever they have."""
    some = {why: [name for name in names if name in standing or name in named] for why, names in reasons.items()}
    return some if any(some.values()) else reasons


@dataclass(frozen=True)
class _Step:
    """What was measured and what is true, each with its uncertainty, as written."""

    measured: tuple[str, ...]
    measured_se: str | None
    steps: Path | None
    known: str | None
    known_se: str | None
    temperature: str | None
    source: str

    @property
    def said(self) -> bool:
        return bool(self.measured or self.steps) or any((self.measured_se, self.known, self.known_se, self.temperature))

    def calibration(self, what: str) -> tuple[Calibration, StepScale | None]:
        """What it comes to, for heights or currents; and what several steps say of it."""
        from sts.comparing.calibration import calibrate, temperature_of

        if self.steps or len(self.measured) > 1:
            scale = self._of_steps(what)
            return scale.calibration, scale
        if len(self.measured) != 1 or self.measured_se is None or self.known is None:
            raise click.UsageError(
                "A calibration needs --measured, --measured-se and --known; or steps of known height with --steps."
            )
        found = calibrate(
            what, measured=self.measured[0], measured_se=self.measured_se, known=self.known, known_se=self.known_se,
            source=self.source,
        )  # fmt: skip
        return (replace(found, temperature_K=temperature_of(self.temperature)) if self.temperature else found), None

    def _of_steps(self, what: str) -> StepScale:
        """From the table of steps, or several that were measured."""
        import pandas as pd

        from sts.comparing.calibration import STEP_HEIGHTS, in_nano, temperature_of
        from sts.comparing.step_heights import scale_from_steps
        from sts.loaders.step_table import read_steps

        if what != "height" or self.measured_se or (self.steps and self.measured):
            raise click.UsageError(
                "Steps (--steps, or several --measured) are of heights, and their scatter is the uncertainty: give one of the two, "
                "without --measured-se."
            )
        steps = read_steps(self.steps) if self.steps else pd.DataFrame(
            {"measured_nm": [in_nano(text, "length") for text in self.measured]}
        )  # fmt: skip
        if self.temperature:
            steps = steps.assign(temperature_K=temperature_of(self.temperature))
        known = self.known if self.known is None or self.known in STEP_HEIGHTS else in_nano(self.known, "length")
        scale = scale_from_steps(steps, known, in_nano(self.known_se, "length") if self.known_se else 0.0)
        source = "; ".join(filter(None, (scale.calibration.source, self.source)))
        return replace(scale, calibration=replace(scale.calibration, source=source))


@click.command("calibrate")
@SESSION
@click.argument("what", type=click.Choice(["height", "current"]))
@as_one(
    "step", _Step,
    click.option("--measured", multiple=True, help='What this bench measured, with its unit: "0.32 nm"; once per step.'),
    click.option("--measured-se", help='Standard uncertainty of a single one, with unit: "0.01 nm".'),
    click.option("--steps", type=PATH, help="Table (CSV, XLSX) of steps measured: measured (nm), place, day, direction, known ..."),
    click.option("--known", help='The true value: graphite, au111, si111 (step heights) or a value: "0.235 nm".'),
    click.option("--known-se", help="Standard uncertainty of a --known value, with unit."),
    click.option("--temperature", help='Of the piezo when it was measured: "295 K" or "22 °C".'),
    click.option("--source", default="", help="Where the known value comes from, and when it was measured."),
)  # fmt: skip
@click.option("--of", "merged", help="Of several that were merged, the session for whose sweeps alone it holds.")
@JSON
def calibrate_command(session: Path, what: str, step: _Step, merged: str | None, *, as_json: bool) -> int:
    """Store how far the height (or current) scale of SESSION is off; without options, show what is stored.

    The barrier height goes with the square of the height scale: 5 % in height are 10 % in the barrier.
    """
    import sts

    opened = sts.Session.open(session)
    if step.said:
        found, scale = step.calibration(what)
        opened.add_calibration(what, found, session=merged)
        if not as_json:
            _say_calibration(what, found, scale)
            return 0
    rows = opened.calibrations()
    several = bool((rows["session"] != "").any())
    show(
        rows, {**_CALIBRATIONS, "session": ("of", lambda name: name or "imported directly")} if several else _CALIBRATIONS,
        as_json=as_json, last=f"The last of a kind{' and session' if several else ''} is in force.",
        none="No calibration is stored; heights and currents are taken as the files give them.",
    )  # fmt: skip
    return 0


def _say_calibration(what: str, found: Calibration, scale: StepScale | None) -> None:
    say(f"{what}: true = {found.factor:.4f} ± {found.factor_se:.4f} × nominal ({found.source}).")
    if scale is not None:
        low, high = scale.interval()
        say(f"95 % interval of the factor for a session: {low:.4f} to {high:.4f}.")
    if what == "height":
        say(f"Barriers are multiplied by {found.factor**-2:.4f}; this scale adds "
            f"{200 * found.factor_se / found.factor:.1f} % to their uncertainty.")  # fmt: skip
    for note in scale.notes if scale else ():
        say(f"note: {note}")


@click.command("export")
@SESSION
@click.argument("what", type=click.Choice(["originals", "csv", "npz"]))
@OUT
@FORCE
def export_command(session: Path, what: str, out: Path, *, force: bool) -> int:
    """Write the imported files byte for byte (originals), or the sweeps as CSV or npz."""
    import sts
    from sts.session import export_csv, export_npz, export_originals

    write = {"originals": export_originals, "csv": export_csv, "npz": export_npz}[what]
    written = write(sts.Session.open(session), out, force=force)
    say(f"{count(len(written), 'file')} written to {out}.")
    return 0


@click.command("merge")
@click.argument("sessions", metavar="SESSION...", nargs=-1, required=True, type=PATH)
@click.option("--into", type=PATH, help="Session that all go into: a new one, or one that is there.")
def merge_command(sessions: tuple[Path, ...], into: Path | None) -> int:
    """Bring what each SESSION holds into one, each file once; the sessions named are left as they are.

    Every file keeps the name of its session: sites of one name in two sessions are two sites, and a calibration holds
    for the sweeps of its own session. Without --into the second of two sessions is brought into the first.
    """
    import sts

    if into is None and len(sessions) != 2:
        raise click.UsageError("Say where to: sts merge MONDAY.h5 TUESDAY.h5 WEDNESDAY.h5 --into ALL.h5.")
    target, *others = sessions if into is None else (into, *sessions)
    result = sts.merge(target, *others, create=into is not None)
    for line in (*result.notes, *result.conflicts):
        say(f"note: {line}")
    say(f"{count(len(result.added), 'file')} with {count(result.sweeps, 'sweep')} added to {target}; "
        f"{len(result.repeated)} were there already.")  # fmt: skip
    return 0


@click.command("rescue")
@SESSION
@click.option("--out", "new", required=True, type=PATH, help="New session file to write.")
def rescue_command(session: Path, new: Path) -> int:
    """Save what can still be read of a damaged SESSION into a new one; the damaged file is left as it is.

    Exit status 0: everything was saved; 1: something is lost, and each loss is named.
    """
    import sts

    lines = sts.rescue(session, new)
    for line in lines:
        say(line)
    return int(any(line.startswith("Lost") for line in lines))


COMMANDS = (list_command, mark_command, calibrate_command, export_command, merge_command, rescue_command)
