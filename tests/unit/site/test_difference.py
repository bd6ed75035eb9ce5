"""Before another site file comes into force it is said what would change, and what would no longer be watched."""

from __future__ import annotations

from pathlib import Path

from service.site.difference import difference
from service.site.site import parse_site

EXAMPLE = (Path(__file__).parents[3] / "deploy" / "site.example.toml").read_text("utf-8")


def test_the_same_file_changes_nothing() -> None:
    found = difference(parse_site(EXAMPLE), parse_site(EXAMPLE))
    assert (found.changes, found.unmonitored, found.lines) == ((), (), ())


def test_the_first_file_is_all_new() -> None:
    found = difference(None, parse_site(EXAMPLE))
    assert found.unmonitored == ()
    assert {"tank", "signal", "connector", "alarm", "contact", "shift"} <= {c.kind for c in found.changes if c.added}


def test_what_goes_is_named_by_kind() -> None:
    before, after = parse_site(EXAMPLE), parse_site(EXAMPLE.replace('"east"', '"front"'))
    found = difference(before, after)
    assert ("tank", "east") in found.unmonitored
    assert ("alarm", "east.high-high") in found.unmonitored
    (tanks,) = [c for c in found.changes if c.kind == "tank"]
    assert (tanks.added, tanks.removed) == (("front",), ("east",))
    (signals,) = [c for c in found.changes if c.kind == "signal"]
    assert "EAST_BLANKET" in signals.changed
    assert any(line.startswith('-key = "east"') for line in found.lines)
    assert any(line.startswith('+key = "front"') for line in found.lines)


def test_a_key_that_changes_is_an_alarm_that_goes_and_one_that_comes() -> None:
    after = parse_site(EXAMPLE.replace('kind = "high-high"\n', 'kind = "high-high"\nkey = "flood"\n', 1))
    found = difference(parse_site(EXAMPLE), after)
    assert {key for kind, key in found.unmonitored if kind == "alarm"}
    assert any(c.kind == "alarm" and c.added for c in found.changes)


def test_a_tank_put_out_of_service_is_no_longer_watched() -> None:
    after = parse_site(EXAMPLE.replace('key = "west"\n', 'key = "west"\nout_of_service = "drained"\n', 1))
    found = difference(parse_site(EXAMPLE), after)
    assert found.unmonitored == (("tank out of service", "west"),)
