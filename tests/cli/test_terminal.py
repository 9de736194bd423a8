"""What the commands print: it fits the width, keeps names whole, and goes into a file without control codes."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from math import exp
from pathlib import Path

import pytest
from cli.calling import SWEEP, run

from sts.cli import main, terminal

ROOT = Path(__file__).resolve().parents[2]
LONG = "saturated: 9 of 140 samples at the limit, masked, and a reason that is longer than what is left of the line"


def lines(capsys) -> list[str]:
    return [line.rstrip() for line in capsys.readouterr().out.splitlines() if line.strip()]


@pytest.mark.parametrize("width", [80, 160])
def test_a_table_fits_the_width_and_keeps_names_whole(capsys, monkeypatch, width):
    monkeypatch.setattr(terminal, "FILE_WIDTH", width)
    terminal.print_table("", ["sweep", "used", "why"], [["a_long_name_of_a_sweep_r12_retract", "yes", LONG]])
    found = lines(capsys)
    assert max(map(len, found)) <= width
    assert any("a_long_name_of_a_sweep_r12_retract" in line for line in found)
    assert " ".join(" ".join(line.split()) for line in found[2:]).endswith("left of the line")


def test_spare_columns_go_first_and_a_line_says_which(capsys, monkeypatch):
    monkeypatch.setattr(terminal, "FILE_WIDTH", 30)
    terminal.print_table("", ["name", "kind", "points"], [["x" * 20, "iz", "140"]], spare=(2, 1))
    found = lines(capsys)
    assert found[0].split() == ["name", "kind"]
    assert found[-1] == "Not shown at this width: points."
    monkeypatch.setattr(terminal, "FILE_WIDTH", 80)
    terminal.print_table("", ["name", "kind", "points"], [["x" * 20, "iz", "140"]], spare=(2, 1))
    assert lines(capsys)[0].split() == ["name", "kind", "points"]


def test_brackets_of_a_name_are_not_taken_for_a_style(capsys):
    terminal.print_table("", ["sweep"], [["[bold]a[/bold]"]])
    assert "[bold]a[/bold]" in lines(capsys)[-1]


HOSTILE = {  # a name, and how it is printed
    "[red]x[/red]": "[red]x[/red]", "[/]": "[/]", "\\[bold]": "\\[bold]", "a\\": "a\\", ":smile:": ":smile:",
    "[link=http://x.example]y[/link]": "[link=http://x.example]y[/link]", "\x1b[31mred": r"\x1b[31mred",
    "a\rb": r"a\rb", "a\tb": r"a\tb", "a\x9b31mb": r"a\x9b31mb", "bell\x07": r"bell\x07", "back\x08": r"back\x08",
    "\u202egnp.exe": r"\u202egnp.exe", "\u2066x\u2069": r"\u2066x\u2069", "wide\u200bgap": r"wide\u200bgap",
    "byte\udcff": r"byte\xff", "half\ud800": r"half\ud800", "\u2028line": r"\u2028line",
    "金 κ µ 😀": "金 κ µ 😀", "\u05d0\u05d1": "\u05d0\u05d1",
}  # fmt: skip


@pytest.mark.parametrize(("name", "printed"), HOSTILE.items())
def test_any_name_is_printed_as_it_is_or_escaped(capsys, name, printed):
    """Markup and emoji codes are text; what would move the cursor, colour, hide or turn the line round is escaped."""
    terminal.print_table(name, [name, "n"], [[name, "1"]])
    assert [line.strip().split("  ")[0] for line in lines(capsys) if "─" not in line] == [printed] * 3
    terminal.say(f"tip {name}.")
    terminal.warn(f"tip {name}.")
    assert capsys.readouterr() == (f"tip {printed}.\n", f"tip {printed}.\n")


def test_a_name_of_two_lines_keeps_its_row_and_a_sentence_its_lines(capsys):
    terminal.print_table("", ["tip"], [["a\nb"]])
    assert lines(capsys)[-1].strip() == r"a\nb"
    terminal.say("two\nlines")
    assert capsys.readouterr().out == "two\nlines\n"


@pytest.mark.parametrize("name", HOSTILE)
def test_json_holds_a_name_exactly_and_no_code_that_a_terminal_obeys(capsys, name):
    terminal.print_json({"tip": name})
    out = capsys.readouterr().out
    assert json.loads(out) == {"tip": name}
    out.encode("utf-8")
    assert not set(out) & set("\x1b\x9b\r\u202e\x07")


_CODES = ("\x1b", "\x9b", "\r", "\x07", "\u202e")


def test_every_command_that_prints_names_takes_any(tmp_path, capsys):
    """Also in the sentences: of markings, comparisons, decisions and records."""
    names = ("[red]x[/red]", ":smile:", "\x1b[31mz\x07\r", "\u202eq")
    session = tmp_path / "s.h5"
    for number, name in enumerate(names):
        for repeat in range(3):
            decay = -(1.9 + 0.1 * number) / 10
            rows = (f"{z / 100},{10 * exp(decay * z) * (1 + 0.01 * ((7 * z + repeat) % 5)):.6f}\n" for z in range(40))
            (tmp_path / f"t{number}_{repeat}.csv").write_text("z (nm),I (nA)\n" + "".join(rows), encoding="utf-8")
        (tmp_path / f"v{number}.csv").write_text(SWEEP.replace(",4\n", f",{4 + number}\n"), encoding="utf-8")
        files = [*sorted(tmp_path.glob(f"t{number}_*")), tmp_path / f"v{number}.csv"]
        labels = ("--set", f"tip={name}", "--set", "sample=[b]s[/b]")
        status, out, err = run(capsys, "import", *files, "--into", session, "--height-grows", "away", *labels)
        assert status == 0, err
        assert not any(code in out + err for code in _CODES)
    commands = [
        ("list", session), ("list", session, "--json"), ("list", session, "--tip", names[2]), ("check", session),
        ("mark", session, "--omit", "t2_0*", "--why", "\x1b[2J[/red]"), ("mark", session), ("barrier", session),
        ("compare", session), ("spectra", session), ("annotate", session),
        ("tips", session, "--out", tmp_path / "tips"),
        ("list", session, "--tip", "\x1b[31m"), ("merge", session, tmp_path / "\x1b[1mn.h5", "--into", tmp_path / "m.h5"),
        ("rescue", session, "--out", tmp_path / "r.h5"),
    ]  # fmt: skip
    for command in commands:
        status, out, err = run(capsys, *command)
        assert status in (0, 1, 2)
        assert "bug in sts" not in err, (command, err)
        assert not any(code in out + err for code in _CODES), command
        if command[0] in ("check", "mark") and len(command) == 2:
            assert "[red]x[/red]" in out or "[/red]" in out


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    path = tmp_path_factory.mktemp("session") / "one.h5"
    demo = ROOT / "data" / "demo"
    files = [str(p) for p in sorted((demo / "iz").glob("sandpiper_*"))]
    assert main(["import", *files, "--into", str(path), "--logbook", str(demo / "logbook.csv")]) == 0
    return path


def test_output_into_a_file_has_no_control_codes(session, tmp_path):
    target = tmp_path / "check.txt"
    with target.open("wb") as file:
        environment = {**os.environ, "PYTHONUTF8": "1", "TERM": "xterm-256color"}
        subprocess.run([sys.executable, "-m", "sts", "check", str(session)], stdout=file, check=True, env=environment)
    text = target.read_text(encoding="utf-8")
    assert "\x1b" not in text
    assert "all 32 I(z) sweeps" in text


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo terminals here")
@pytest.mark.parametrize("width", [80, 160])
def test_a_terminal_gets_its_width_and_no_colours_where_none_are_wanted(session, width):
    import fcntl
    import pty
    import struct
    import termios

    controller, screen = pty.openpty()
    fcntl.ioctl(screen, termios.TIOCSWINSZ, struct.pack("HHHH", 50, width, 0, 0))
    environment = {k: v for k, v in os.environ.items() if k != "COLUMNS"}
    environment |= {"NO_COLOR": "1", "TERM": "xterm-256color", "PYTHONUTF8": "1"}
    command = [sys.executable, "-m", "sts", "list", str(session)]
    running = subprocess.Popen(command, stdout=screen, stderr=subprocess.DEVNULL, env=environment)
    os.close(screen)
    seen = b""
    while True:
        try:
            part = os.read(controller, 65536)
        except OSError:  # the other side is closed
            break
        if not part:
            break
        seen += part
    os.close(controller)
    assert running.wait() == 0
    text = seen.decode("utf-8")
    for colour in range(30, 50):
        assert f"\x1b[{colour}m" not in text
    table = text.replace("\x1b[1m", "").replace("\x1b[0m", "").splitlines()
    assert max(map(len, table)) <= width
