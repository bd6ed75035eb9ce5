"""The check as a whole: every mistake at once, in the order of the file, for people and for machines."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from service.site import Severity, check_site, errors_of, text_of
from service.site.sections.quantity import closest_word

DATA = Path(__file__).parents[2] / "data/site"
BASE = (DATA / "base.toml").read_text("utf-8")
EXAMPLE = Path(__file__).parents[3] / "deploy/site.example.toml"


def test_the_example_is_sound() -> None:
    assert text_of(check_site(EXAMPLE), "site.example.toml") == ""


def test_a_bad_afternoon_is_told_in_one_go() -> None:
    """Syntax, spelling, units, names and physics in one file: fifteen mistakes, each on its line."""
    findings = check_site(DATA / "friday.toml")
    assert text_of(findings, "friday.toml") + "\n" == (DATA / "friday.txt").read_text("utf-8")


def test_findings_are_in_the_order_of_the_file() -> None:
    lines = [f.line for f in check_site(DATA / "friday.toml")]
    assert lines == sorted(lines)


def test_rows_for_machines_are_plain_json() -> None:
    (finding,) = check_site(BASE.replace("diameter = 80", "daimeter = 80"))
    assert json.loads(json.dumps(finding.row())) == {
        "severity": "error",
        "line": 11,
        "column": None,
        "field": "tank[east].daimeter",
        "path": ["tank", 0, "daimeter"],
        "problem": "no such key is known here",
        "remedy": "did you mean diameter?",
    }


def test_a_warning_says_so() -> None:
    (finding,) = check_site(BASE.replace("weir_length = 251", "weir_length = 25"))
    assert finding.text("site.toml").startswith("site.toml:14: warning: tank[east].weir_length: 25 ft is far from")
    assert errors_of([finding]) == ()


def test_a_missing_file_is_a_finding(tmp_path: Path) -> None:
    (finding,) = check_site(tmp_path / "none.toml")
    assert (
        finding.text("none.toml")
        == "none.toml: the site file cannot be read (No such file or directory) — name a readable file"
    )


@pytest.mark.parametrize(
    ("content", "line", "word"),
    [
        (BASE.encode("utf-16"), 0, "UTF-16"),
        (BASE.replace("Base", "Bäse").encode("latin-1"), 3, 'follows “name = "B”'),
        (b"\x00\x01\x02\xff\xfe", 1, "not UTF-8"),
    ],
)
def test_other_encodings_are_named(tmp_path: Path, content: bytes, line: int, word: str) -> None:
    file = tmp_path / "site.toml"
    file.write_bytes(content)
    (finding,) = check_site(file)
    assert finding.line == line
    assert word in finding.problem
    assert "UTF-8" in finding.remedy


def test_a_byte_order_mark_and_windows_line_ends_are_no_mistake(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_bytes(b"\xef\xbb\xbf" + BASE.replace("\n", "\r\n").encode())
    assert check_site(file) == []
    file.write_bytes(b"\xef\xbb\xbf" + BASE.replace("\n", "\r\n").replace('"1:12"', "12").encode())
    assert [f.line for f in check_site(file)] == [13]


@pytest.mark.parametrize("text", ["", "# nothing yet\n", "\n\n"])
def test_an_empty_file_says_how_to_begin(text: str) -> None:
    findings = check_site(text)
    assert "begin the file with [site]" in findings[0].remedy
    assert all(f.severity is Severity.ERROR or f.severity is Severity.WARNING for f in findings)
    assert errors_of(findings)


def test_something_else_than_a_site_file_ends_after_a_few_lines() -> None:
    findings = check_site("\n".join(f"<p>paragraph {n}</p>" for n in range(1000)))
    assert 1 <= len(findings) <= 21


def test_with_two_connectors_every_signal_names_one() -> None:
    text = BASE + '\n[[connector]]\nkey = "second"\nkind = "csv"\nfolder = "other"\n'
    findings = check_site(text)
    missing = [f.field for f in errors_of(findings)]
    assert missing == ["signal[EAST_B].connector", "signal[NORTH_B].connector", "signal[FLOW].connector"]
    assert all('connector = "export" or "second"' in f.remedy for f in errors_of(findings))


def test_a_connector_that_no_signal_names_is_odd() -> None:
    text = BASE.replace("[[signal]]\n", '[[signal]]\nconnector = "export"\n')
    text += '\n[[connector]]\nkey = "idle"\nkind = "csv"\nfolder = "other"\n'
    (finding,) = check_site(text)
    assert (finding.field, finding.severity) == ("connector[idle]", Severity.WARNING)
    assert finding.line == text.split("\n").index('key = "idle"')


def test_a_limit_that_collides_with_a_built_in_one_says_which() -> None:
    text = BASE.replace('kind = "high-high"\ntank = "east"\nclearance = 4\n', 'kind = "core overdue"\n')
    text = text.replace('depth_share = "25 %"', "clearance = 3.5")
    (finding,) = check_site(text)
    assert finding.field == "alarm[east: high].clearance"
    assert "4 ft under the weir (high-high)" in finding.problem
    assert "the high-high limit is the built-in one" in finding.remedy


def test_an_alarm_of_every_tank_is_judged_in_each() -> None:
    """12 ft of clearance is sound in the 14 ft tank and under the floor of the 11 ft one."""
    text = BASE.replace('kind = "high"\ntank = "east"\ndepth_share = "25 %"', 'kind = "high"\nclearance = 12')
    (finding,) = check_site(text)
    assert finding.field == "alarm[*: high].clearance"
    assert "floor of north" in finding.problem


def test_alarms_that_nobody_receives_are_named() -> None:
    findings = check_site(BASE + 'priorities = ["medium", "low"]\ntanks = ["east"]\n')
    problems = [f.problem for f in findings]
    assert problems == [
        "nobody receives high-priority alarms of east (high-high)",
        "nobody receives medium-priority alarms of north (high, bad measurement, reads high, not confirmed)",
        "nobody receives high-priority alarms of north (high-high)",
        "nobody receives low-priority alarms of north (core overdue)",
        "nobody receives high-priority alarms of the service itself (system)",
    ]
    assert errors_of(findings) == ()


def test_mistakes_inside_a_section_do_not_hide_those_between_sections() -> None:
    text = BASE.replace('floor_slope = "1:12"', "floor_slop = 12").replace("clearance = 4", "clearance = 12")
    fields = [f.field for f in check_site(text)]
    assert fields == ["tank[east].floor_slop", "tank[east].floor_slope", "alarm[east: high-high].clearance"]


def test_a_tank_that_cannot_be_read_is_not_called_unknown() -> None:
    text = BASE.replace('key = "east"\n', "key = east east\n").replace("side_water_depth = 14\n", "")
    assert [f.field for f in check_site(text)] == ["tank[east east].side_water_depth", "tank[east east].key", "key"]


def test_without_a_unit_system_no_size_is_judged() -> None:
    text = BASE.replace('units = "us"\n', "").replace("diameter = 80", "diameter = 800")
    assert [f.field for f in check_site(text)] == ["site.units"]


def test_a_label_in_place_of_a_key_is_understood() -> None:
    text = BASE.replace('key = "east"', 'key = "east"\nlabel = "Basin 2"').replace(
        'tank = "east"\nunit', 'tank = "basin 2"\nunit'
    )
    (finding,) = check_site(text)
    assert (finding.field, finding.remedy) == ("signal[EAST_B].tank", 'did you mean "east"?')


def test_swapped_letters_count_as_nearer() -> None:
    assert closest_word("wset", ("east", "west", "nest")) == "west"
    assert closest_word("xyzzy", ("east", "west")) is None
