"""Arguments and options that several commands share."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from sts.plan import Plan

_Value = TypeVar("_Value")

PATH = click.Path(path_type=Path)
FOLDER = click.Path(path_type=Path, file_okay=False)
SESSION = click.argument("session", type=PATH)
OUT = click.option("--out", required=True, type=FOLDER, help="Folder to write to.")
JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON for machines instead of a table.")
FORCE = click.option("--force", is_flag=True, help="Overwrite results that are there already.")
BY = click.option("--by", help='Who decides; the name of the account if not given; "": not recorded.')
PLAN = click.option("--plan", "plan_file", type=PATH, help="TOML file with settings to change.")


def plan_from(path: Path | None) -> Plan:
    """The plan in a file, or that of the defaults.

    Parameters
    ----------
    path : pathlib.Path, optional

    Raises
    ------
    PlanError
        If the file is no plan; all mistakes at once.
    """
    from sts.plan import Plan, read_plan

    return read_plan(path) if path else Plan()


@dataclass(frozen=True)
class Which:
    """Labels that sweeps are picked by."""

    sample: str | None
    tip: str | None
    site: str | None
    kind: str | None

    @property
    def said(self) -> dict[str, Any]:
        """Those that were given."""
        return {name: value for name, value in asdict(self).items() if value is not None}


@dataclass(frozen=True)
class Labels:
    """What is said about sweeps beside their files."""

    logbook: Path | None
    names: tuple[str, ...]
    stated: tuple[str, ...]
    prefer_logbook: bool

    @property
    def values(self) -> dict[str, str] | None:
        """What ``--set COLUMN=VALUE`` says."""
        found = {}
        for item in self.stated:
            column, equals, value = item.partition("=")
            if not (equals and column.strip() and value.strip()):
                raise click.UsageError(f"--set {item} is no COLUMN=VALUE; say for example --set tip=heron.")
            found[column.strip()] = value.strip()
        return found or None


def as_one(
    name: str, kind: type[_Value], *options: Callable[[Any], Any]
) -> Callable[[Callable[..., int]], Callable[..., int]]:
    """Give a command these options, and hand what they say over as one argument `name` of a dataclass."""

    def decorate(command: Callable[..., int]) -> Callable[..., int]:
        @functools.wraps(command)
        def call(**said: Any) -> int:
            own = {field.name: said.pop(field.name) for field in fields(kind)}  # type: ignore[arg-type]
            return command(**{name: kind(**own)}, **said)

        for option in reversed(options):
            option(call)
        return call

    return decorate


WHICH = as_one(
    "which", Which,
    click.option("--sample", help="Only sweeps of this sample."),
    click.option("--tip", help="Only sweeps of this tip."),
    click.option("--site", help="Only sweeps of this site."),
    click.option("--kind", type=click.Choice(["iv", "iz"]), help="Only bias sweeps (iv) or height sweeps (iz)."),
)  # fmt: skip
LABELS = as_one(
    "labels", Labels,
    click.option("--logbook", type=PATH, help="CSV or XLSX with tip, sample, site ... by file."),
    click.option(
        "--names", multiple=True, metavar="PATTERN",
        help="What folder and file names say, such as '{tip}/site{site}_{repeat}.txt'; 'none': nothing. Repeat for more.",
    ),
    click.option(
        "--set", "stated", multiple=True, metavar="COLUMN=VALUE",
        help="A label for all files of the call, such as tip=heron or 'temperature=77 K'. Repeat for more.",
    ),
    click.option("--prefer-logbook", is_flag=True, help="Where another word is known, believe the logbook."),
)  # fmt: skip
