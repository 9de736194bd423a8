"""The command ``sts``: each command parses, makes one library call and prints.

Nothing scientific is imported before the command line is parsed, so that ``sts --help`` answers at once.
"""

from __future__ import annotations

import gc
import logging
import os
import re
import sys
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress

import click

from sts._version import __version__
from sts.cli import calibrate, check, data, how_many, labels, results, review, show, tips
from sts.cli.terminal import warn


class _Commands(click.Group):
    """The commands in the order of the work, not of the alphabet."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="sts")
def cli() -> None:
    """Analyse scanning tunnelling spectroscopy sweeps, I(V) and I(z), after the session.

    \b
    A session in four commands:
      sts import sweeps/ --into session.h5 --logbook logbook.csv
      sts check session.h5
      sts mark session.h5 --omit heron_s1_r2 --why "tip touched the surface"
      sts report session.h5 --out results

    The tool reads files and writes files. It moves no hardware.
    Exit status: 0 done; 1 done, but some input was left out (listed); 2 nothing done.
    """


_ORDER = ("import", "logbook", "list", "check", "review", "mark", "annotate")
_SINGLE = (check.check_command, show.show_command, review.review_command)
_LATER = (how_many.how_many_command, tips.tips_command)
_ALL = {
    command.name: command
    for command in (*labels.COMMANDS, *calibrate.COMMANDS, *data.COMMANDS, *_SINGLE, *results.COMMANDS, *_LATER)
}
for command in (*(_ALL.pop(name) for name in _ORDER), *_ALL.values()):
    cli.add_command(command)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return the exit status. A user's mistake prints one line."""
    _speak_utf8()
    with _libraries_silent():
        return _run(arguments)


def _run(arguments: Sequence[str] | None) -> int:
    gc.set_threshold(50_000, 5, 10)  # it ends soon: looking for circles of objects took a tenth of the time of a report
    try:
        status = cli.main(args=None if arguments is None else list(arguments), prog_name="sts", standalone_mode=False)
        sys.stdout.flush()  # while a closed pipe can still be answered
        return status if isinstance(status, int) else 0
    except click.exceptions.NoArgsIsHelpError as error:
        error.show()
        return 2
    except click.ClickException as error:
        message = error.format_message().replace("\n\t", " ")  # click lists choices in lines of their own
        return _refuse(message if message.endswith(".") else f"{message}.", _usage_hint(error))
    except BrokenPipeError:  # the reader, such as head, has what it wants
        _let_go_of_output()
        return 0
    except (click.Abort, KeyboardInterrupt):
        return _refuse("stopped; what was done before stands")
    except (ValueError, OSError) as error:  # what the library says to its user, in words
        if os.environ.get("STS_TRACEBACK"):
            raise
        return _refuse(_words(error))
    except MemoryError as error:
        if os.environ.get("STS_TRACEBACK"):
            raise
        return _refuse(_too_much(error))
    except Exception as error:
        if os.environ.get("STS_TRACEBACK"):
            raise
        return _refuse(
            f"{type(error).__name__}: {error}. This is a bug in sts, not your mistake; nothing was written. "
            "Run again with STS_TRACEBACK=1 set and report what it prints."
        )


@contextmanager
def _libraries_silent() -> Iterator[None]:
    """Keep warnings and logs of libraries from the user, who can do nothing about them: what is in doubt is in the results.

    Our own are said in a line: they tell what cannot be promised where a session lies, or whom a change waits for.
    Only showing is turned off: whoever makes errors of warnings, as tests do, still gets them.
    """
    if os.environ.get("STS_TRACEBACK") or sys.warnoptions:
        yield
        return
    before = logging.root.manager.disable
    with warnings.catch_warnings():
        warnings.showwarning = _own_only
        logging.disable(logging.WARNING)
        try:
            yield
        finally:
            logging.disable(before)


def _own_only(message: Warning | str, category: type[Warning], *_: object, **__: object) -> None:
    if category.__module__.startswith("sts."):
        warn(f"Note: {message}")


def _too_much(error: MemoryError) -> str:
    """What was asked for, as numpy says it; Python itself does not."""
    found = re.search(r"allocate (\S+?)\.? (\w+) for an array with shape (\(.*?\))", str(error))
    asked = f": {found[1]} {found[2]} were asked for at once, for {found[3]} numbers" if found else ""
    return (
        f"not enough memory{asked}. Close other programs, or take fewer or shorter sweeps at a time (several sessions)."
    )


def _refuse(message: str, hint: str = "") -> int:
    warn(f"sts: {message}{hint}")
    return 2


def _words(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror:
        where = f"{error.filename}: " if error.filename else ""
        return f"{where}{error.strerror[:1].lower()}{error.strerror[1:]}."
    return str(error)


def _usage_hint(error: click.ClickException) -> str:
    context = getattr(error, "ctx", None)
    return f" See '{context.command_path} --help'." if context is not None else ""


def _let_go_of_output() -> None:
    """Keep Python from writing the rest to the closed pipe when it ends."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _speak_utf8() -> None:
    """Print µ, κ and ± on consoles with another code page too, instead of failing."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")
