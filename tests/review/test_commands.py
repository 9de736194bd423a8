"""Decisions as lines: run in a real shell on a fresh copy they give the same decisions."""

from __future__ import annotations

import shlex

import pytest

from sts.review.commands import LONGEST, mark_lines

DECISIONS = {"a_1": ("omit", "tip touched"), "a_2": ("omit", "tip touched"), "b": ("keep", "looked again")}


def test_plain_decisions_are_the_same_line_for_every_shell() -> None:
    lines = mark_lines("bench.h5", DECISIONS)
    assert lines.splitlines() == [
        'sts mark bench.h5 --omit --why "tip touched" a_1 a_2',
        'sts mark bench.h5 --keep --why "looked again" b',
    ]
    assert lines == mark_lines("bench.h5", DECISIONS, "cmd")


def test_lines_name_who_decided_where_that_is_somebody_else(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("getpass.getuser", lambda: "anna")
    lines = mark_lines("bench.h5", DECISIONS, by={"a_1": "anna", "a_2": "B. Jensen", "b": ""})
    assert lines.splitlines() == [
        'sts mark bench.h5 --omit --why "tip touched" a_1',
        'sts mark bench.h5 --omit --why "tip touched" --by "B. Jensen" a_2',
        'sts mark bench.h5 --keep --why "looked again" --by "" b',
    ]


def test_nothing_decided_is_no_line() -> None:
    assert mark_lines("bench.h5", {}) == ""


NASTY = ["it's", 'say "no"', "$HOME `id`", "50 % & <b>", "-v", "a!b", "back\\slash", "\\", 'q"\\', "*", "ünder"]


def test_special_characters_reach_the_program_as_they_are() -> None:
    lines = mark_lines("my bench.h5", {name: ("omit", f"why {name}") for name in NASTY}).splitlines()
    words = [shlex.split(line) for line in lines]
    assert [word[5] for word in words] == [f"why {name}" for name in NASTY]
    assert [word[-1] for word in words] == NASTY
    assert words[4][6] == "--"
    assert {word[2] for word in words} == {"my bench.h5"}


def read_by_cmd(line: str) -> list[str]:
    """What a program sees of a line typed to cmd.exe: carets taken off outside quotes, then the rules of C's runtime."""
    typed, quoted, at = "", False, 0
    while at < len(line):
        if line[at] == "^" and not quoted:
            at += 1
        elif line[at] == '"':
            quoted = not quoted
        elif line[at] == "%" or (line[at] in "&|<>" and not quoted):
            raise AssertionError(f"cmd.exe takes {line[at]!r} for itself in {line}")
        typed += line[at]
        at += 1
    words, word, quoted, backslashes = [], "", False, 0
    for character in typed + " ":
        if character == "\\":
            backslashes += 1
            continue
        if character == '"':
            word += "\\" * (backslashes // 2)
            if backslashes % 2:
                word += '"'
            else:
                quoted = not quoted
        else:
            word += "\\" * backslashes
            if character == " " and not quoted:
                words, word = [*words, word], ""
            else:
                word += character
        backslashes = 0
    return words


def test_special_characters_reach_the_program_from_cmd_too() -> None:
    lines = mark_lines("my bench.h5", {name: ("omit", f"why {name}") for name in NASTY}, "cmd").splitlines()
    words = [read_by_cmd(line) for line in lines]
    assert [word[5] for word in words] == [f"why {name}" for name in NASTY]
    assert [word[-1] for word in words] == NASTY


def test_long_lists_are_several_lines_that_cmd_takes() -> None:
    decisions = {f"a long name of a sweep {i}": ("omit", "knock") for i in range(2000)}
    lines = mark_lines("bench.h5", decisions).splitlines()
    assert max(map(len, lines)) <= LONGEST + 100
    assert [name for line in lines for name in shlex.split(line)[6:]] == list(decisions)


def test_a_shell_that_is_not_known_is_named() -> None:
    with pytest.raises(ValueError, match="'fish' is not a shell; use posix or cmd"):
        mark_lines("bench.h5", DECISIONS, "fish")
