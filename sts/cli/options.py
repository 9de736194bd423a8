"""Arguments and options that several commands share."""

from __future__ import annotations

from pathlib import Path

import click

SESSION = click.argument("session", type=click.Path(path_type=Path))
OUT = click.option("--out", required=True, type=click.Path(path_type=Path, file_okay=False), help="Folder to write to.")
JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON for machines instead of a table.")
FORCE = click.option("--force", is_flag=True, help="Overwrite results that are there already.")
