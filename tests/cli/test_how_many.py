"""The command how-many."""

from __future__ import annotations

import json

from cli.calling import run


def test_sites_repeats_and_minutes_are_said_with_the_cheapest(demo, capsys):
    status, out, _ = run(capsys, "how-many", demo, "--percent", "10", "--minutes-per-site", "8")
    assert status == 0
    assert "To tell 10 % with 90 % power" in out
    assert out.count("cheapest") == 1
    assert "8 minutes to come to a new site (as asked)" in out
    status, out, _ = run(capsys, "how-many", demo, "--json")
    found = json.loads(out)
    assert status == 0
    assert {"repeats", "sites", "minutes", "power_percent"} <= set(found["options"][0])
    assert isinstance(found["promised"], bool)


def test_an_aim_that_makes_no_sense_is_refused(demo, capsys):
    status, _, err = run(capsys, "how-many", demo, "--power", "20")
    assert status == 2
    assert "give a positive difference" in err
