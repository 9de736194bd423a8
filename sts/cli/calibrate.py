"""The command that calibrates a session: height and current scales, and the temperature of the electrons."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sts.cli.options import JSON, PATH, PLAN, SESSION, WHICH, Which, as_one, plan_from
from sts.cli.terminal import Columns, count, number, print_json, progress, say, show, text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sts.comparing.calibration import Calibration
    from sts.comparing.step_heights import StepScale
    from sts.plan import Plan
    from sts.session import Session

_CALIBRATIONS: Columns = {
    "kind": ("scale", text), "factor": ("factor", number(4)), "factor_se": ("uncertainty", number(4)),
    "source": ("source", text), "time": ("stored", text),
}  # fmt: skip
_TEMPERATURES: Columns = {
    "electron_temperature": ("electron temperature", text), "electron_temperature_from": ("measured on", text),
    "sweeps": ("sweeps", number(0)),
}  # fmt: skip
ELECTRONS = "electron-temperature"


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
@click.argument("what", type=click.Choice(["height", "current", ELECTRONS]))
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
@WHICH
@click.option("--sweeps", "patterns", multiple=True, help="Only sweeps of these names; * and ? stand for others.")
@PLAN
@JSON
def calibrate_command(
    session: Path, what: str, step: _Step, merged: str | None, which: Which, patterns: tuple[str, ...],
    plan_file: Path | None, *, as_json: bool,
) -> int:  # fmt: skip
    """Store how far the height (or current) scale of SESSION is off; without options, show what is stored.

    The barrier height goes with the square of the height scale: 5 % in height are 10 % in the barrier.

    electron-temperature: fit the superconducting gap of the sweeps chosen by --sample, --tip, --site or --sweeps, and label
    the I(V) sweeps at the same bath temperature with what it says; 'sts annotate SESSION --undo' takes it back.
    """
    import sts

    opened = sts.Session.open(session)
    chosen = bool(which.said or patterns)
    if what == ELECTRONS:
        if step.said or merged or step.source:
            raise click.UsageError(
                f"{ELECTRONS} is measured on sweeps: choose them by --sample, --tip, --site or --sweeps. "
                f"One that you know is a label: sts annotate {session} --set 'electron_temperature=1.2(1) K'."
            )
        return _electron_temperature(
            opened, opened.find(patterns, **which.said) if chosen else [], plan_from(plan_file), as_json=as_json
        )
    if chosen or plan_file:
        raise click.UsageError(f"--sample, --tip, --site, --kind, --sweeps and --plan are for {ELECTRONS}.")
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


def _electron_temperature(opened: Session, sweeps: Sequence[str], plan: Plan, *, as_json: bool) -> int:
    """Measure it on these sweeps and store it; none: show what is stored."""
    from sts.analysis.electron_temperature import store_electron_temperature, stored_temperatures

    if not sweeps:
        show(stored_temperatures(opened), _TEMPERATURES, as_json=as_json, none="No electron temperature is stored.")
        return 0
    with progress("measuring") as report:
        stored = store_electron_temperature(opened, sweeps, plan, progress=report)
    if as_json:
        found = stored.found
        print_json({"electron_temperature": stored.text, "value_K": found.value, "se_K": found.se, "low_K": found.low,
                    "high_K": found.high, "source": stored.source, "sweeps": stored.sweeps})  # fmt: skip
        return 0
    say(f"electron temperature: {stored.text}, 95 % interval {stored.found.low:.4g} to {stored.found.high:.4g} K.")
    say(f"Measured on: {stored.source}.")
    say(f"Stored as a label of {count(len(stored.sweeps), 'sweep')} I(V) at the same temperature of the bath; to take it back: "
        f"sts annotate {opened.path} --undo. Sweeps imported later: --set 'electron_temperature={stored.text}'.")  # fmt: skip
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


COMMANDS = (calibrate_command,)
