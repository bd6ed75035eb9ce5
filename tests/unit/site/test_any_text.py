"""Whatever somebody does to a site file, the check answers: with findings, or with a site that can be used."""

from __future__ import annotations

from pathlib import Path

from hypothesis import example, given
from hypothesis import strategies as st

from service.errors import ConfigError
from service.site import check_site, errors_of, parse_site
from service.site.site import check_bytes

EXAMPLE = (Path(__file__).parents[3] / "deploy/site.example.toml").read_text("utf-8")
ROWS = EXAMPLE.split("\n")
WRITTEN = [number for number, row in enumerate(ROWS) if row.strip() and not row.startswith("#")]

values = st.sampled_from(
    [
        '""',
        "0",
        "-1",
        "1e300",
        "nan",
        "inf",
        "true",
        "[]",
        "{}",
        '"*"',
        '"x"',
        "1979-05-27",
        '["a", 1]',
        "{ a = 1 }",
        '"-1 ft"',
        '"%"',
        '"0 min"',
        '"1:0"',
        '"1e-300 ft"',
        '"\\u0000"',
        "[[1]]",
        "9" * 400,
        "9" * 5000,
    ]
)


def is_answered(text: str) -> None:
    """Findings for everybody, and no error exactly when the site can be used to the end."""
    findings = check_site(text)
    lines = text.count("\n") + 1
    assert all(0 <= f.line <= lines and f.problem for f in findings)
    try:
        site = parse_site(text)
    except ConfigError:
        assert errors_of(findings)
        return
    assert not errors_of(findings)
    assert site.tanks()
    assert all(d.limit is None or d.limit == d.limit for d in site.alarm_definitions())
    site.setups()
    site.contacts()
    for connector in site.connectors():
        site.addresses(connector.key)


def test_each_line_left_out() -> None:
    for number in WRITTEN:
        is_answered("\n".join(ROWS[:number] + ROWS[number + 1 :]))


@given(st.sampled_from(WRITTEN), st.sampled_from(WRITTEN))
def test_a_line_moved(source: int, target: int) -> None:
    rows = ROWS.copy()
    rows.insert(target, rows.pop(source))
    is_answered("\n".join(rows))


@given(st.sampled_from(WRITTEN), values)
@example(next(number for number in WRITTEN if ROWS[number].startswith("diameter")), "1e-200")  # its square is nothing
def test_a_value_replaced(number: int, value: str) -> None:
    key = ROWS[number].partition("=")[0]
    is_answered("\n".join([*ROWS[:number], f"{key}= {value}", *ROWS[number + 1 :]]))


@given(st.sampled_from(WRITTEN), st.data())
def test_letters_changed_in_a_line(number: int, data: st.DataObject) -> None:
    row = ROWS[number]
    start = data.draw(st.integers(0, len(row)))
    end = data.draw(st.integers(start, min(len(row), start + 3)))
    row = row[:start] + data.draw(st.text("ab1.\"'[]{}=,#:-_ \\%\n", max_size=3)) + row[end:]
    is_answered("\n".join([*ROWS[:number], row, *ROWS[number + 1 :]]))


@given(st.text(max_size=200) | st.text("[]{}=\"'\n ,.#ab1", max_size=80))
def test_any_text(text: str) -> None:
    is_answered(text)


@given(st.binary(max_size=200))
def test_any_bytes(content: bytes) -> None:
    assert check_bytes(content).findings


@given(st.integers(0, len(EXAMPLE)))
def test_a_file_cut_off(length: int) -> None:
    is_answered(EXAMPLE[:length])
