"""The command how-many: sites and repeats that the next session needs."""

from __future__ import annotations

from pathlib import Path

import click

from sts.cli.options import JSON, PLAN, SESSION, plan_from
from sts.cli.terminal import Columns, number, print_frame, print_json, progress, say, text

_OPTIONS: Columns = {
    "repeats": ("repeats at a site", number(0)), "sites": ("sites", text), "minutes": ("minutes in all", number(0)),
    "power_percent": ("power %", number(0)), "cheapest": ("", text),
}  # fmt: skip


@click.command("how-many")
@SESSION
@click.option("--percent", type=float, default=5.0, show_default=True, help="Difference of the barriers to be told.")
@click.option(
    "--power", type=float, default=90.0, show_default=True, help="Chance to show it, in percent (50 to below 100)."
)
@click.option(
    "--by", default="", help="Column with the state of the tip (before, after): plan for the change of a tip."
)
@click.option(
    "--minutes-per-repeat", type=click.FloatRange(min=0), help="Time for one repeat; else as recorded, else 1."
)
@click.option(
    "--minutes-per-site", type=click.FloatRange(min=0), help="Time to come to a new site; else as recorded, else 5."
)
@PLAN
@JSON
def how_many_command(
    session: Path, percent: float, power: float, by: str, *, minutes_per_repeat: float | None,
    minutes_per_site: float | None, plan_file: Path | None, as_json: bool,
) -> int:  # fmt: skip
    """How many sites and repeats the next session needs to tell two tips apart, and which of the two is cheaper.

    From the scatter between sites and repeats that SESSION shows. Nothing is measured or moved.
    """
    import sts
    from sts.comparing.planning import MOST_SITES

    with progress("fitting"):
        found = sts.how_many(
            session, plan_from(plan_file), percent=percent, power=power / 100, by=by,
            minutes_per_repeat=minutes_per_repeat, minutes_per_site=minutes_per_site,
        )  # fmt: skip
    if as_json:
        print_json({"options": found.options, "promised": found.promised, "notes": found.notes})
        return 0
    sites = [f"{n}" if n <= MOST_SITES else f"more than {MOST_SITES}" for n in found.options["sites"]]
    shown = found.options.assign(
        sites=sites, cheapest=["cheapest" if best else " " for best in found.options["cheapest"]]
    )
    shown.loc[found.options["sites"] > MOST_SITES, ["minutes", "power_percent"]] = float("nan")
    whose = found.scatter.units
    print_frame(f"To tell {percent:g} % with {power:g} % power", shown, {**_OPTIONS, "sites": (whose, text)})
    for note in found.notes:
        say(note)
    return 0
