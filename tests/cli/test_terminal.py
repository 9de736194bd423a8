"""What the commands print: it fits the width, keeps names whole, and goes into a file without control codes."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

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
    command = [sys.executable, "-m", "sts", "check", str(session)]
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
