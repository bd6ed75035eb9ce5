"""The line scanner knows exactly the keys that the standard library's reader finds, and where they stand."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.site.reading.finding import KeyPath
from service.site.reading.lines import line_map

HARD = '''# a remark with [brackets] and "quotes"
top = 1
"quoted key" = 'lite\\ral'
'literal.key' = "a # no remark"
dotted.a."b.c" = true   # remark
dotted.a.d = 1979-05-27 07:32:00

[table]
text = """
[not.a.heading]
x = 1 \\""" still text
""""
raw = \'\'\'
''two quotes'' # text
k = [\'\'\'
array = [ 1, [2, 3], # remark ]
  { x = 1, y.z = "]" },
  "a\\"b",
]
empty = []
nothing = {}

[ table . sub ]
deep = { in = [ { line = 1 } ] }

[[ row ]]
a = 1
[row.child]
b = 2
[[row.child2]]
c = 3
[[row]]
a = 4
[[row.child2]]
c = 5
[[row.child2]]
"\\u00e9\\t" = 6
'''


def paths_of(value: Any, path: KeyPath = ()) -> set[KeyPath]:
    """Every path of a document as the reader understood it."""
    found = {path} if path else set()
    if isinstance(value, dict):
        for key, inner in value.items():
            found |= paths_of(inner, (*path, key))
    elif isinstance(value, list):
        for position, inner in enumerate(value):
            found |= paths_of(inner, (*path, position))
    return found


def test_every_key_of_a_hard_document_has_a_line() -> None:
    assert line_map(HARD).paths() == paths_of(tomllib.loads(HARD))


@pytest.mark.parametrize(
    ("path", "row"),
    [
        (("top",), "top = 1"),
        (("quoted key",), '"quoted key" ='),
        (("dotted", "a", "b.c"), 'dotted.a."b.c"'),
        (("dotted", "a", "d"), "dotted.a.d"),
        (("table",), "[table]"),
        (("table", "raw"), "raw ="),
        (("table", "array", 1, 1), "array ="),
        (("table", "array", 2, "y", "z"), "{ x = 1"),
        (("table", "array", 3), '"a\\"b"'),
        (("table", "sub", "deep", "in", 0, "line"), "deep ="),
        (("row", 0, "a"), "a = 1"),
        (("row", 0, "child", "b"), "b = 2"),
        (("row", 1, "child2", 0, "c"), "c = 5"),
        (("row", 1, "child2", 1, "é\t"), '"\\u00e9\\t"'),
    ],
)
def test_a_key_stands_where_it_is_written(path: KeyPath, row: str) -> None:
    assert row in HARD.split("\n")[line_map(HARD).line(path) - 1]


def test_a_heading_is_where_the_heading_is_even_after_its_children() -> None:
    lines = line_map("[a.b]\nx = 1\n[a]\ny = 2\n")
    assert lines.line(("a",)) == 3
    assert lines.line(("a", "b")) == 1


def test_windows_line_ends_count_once() -> None:
    assert line_map("a = 1\r\n\r\nb = '''\r\n'''\r\nc = 3").line(("c",)) == 5


keys = st.text("abzAZ09_-", min_size=1, max_size=5) | st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\x7f", min_codepoint=32), max_size=5
)


def written_key(key: str) -> str:
    if key and all(c.isascii() and (c.isalnum() or c in "_-") for c in key):
        return key
    return '"' + key.replace("\\", "\\\\").replace('"', '\\"') + '"'


@st.composite
def written_values(draw: st.DrawFn, depth: int = 2) -> str:
    simple = st.sampled_from(
        [
            "1",
            "-2.5e3",
            "true",
            "07:32:00",
            "2024-11-03 01:30:00-04:00",
            "'#]}'",
            '"\\"]"',
            '"""\n"" x\n"""',
            "'''\n#'''",
        ]
    )
    if depth == 0:
        return draw(simple)
    inner = written_values(depth - 1)
    gap = draw(st.sampled_from(["", " ", "\n", " # ] }\n"]))
    arrays = st.lists(inner, max_size=3).map(lambda parts: "[" + gap + ("," + gap).join(parts) + gap + "]")
    tables = st.dictionaries(keys, inner, max_size=3).map(
        lambda d: "{ " + ", ".join(f"{written_key(k)} = {v}" for k, v in d.items()) + " }"
    )
    return draw(simple | arrays | tables)


@st.composite
def documents(draw: st.DrawFn) -> str:
    rows = []
    for _ in range(draw(st.integers(0, 4))):
        heading = ".".join(map(written_key, draw(st.lists(keys, min_size=1, max_size=2))))
        rows.append(f"[[{heading}]]" if draw(st.booleans()) else f"[{heading}]")
        for key, value in draw(st.dictionaries(keys, written_values(), max_size=3)).items():
            rows.append(f"{written_key(key)} = {value}" + draw(st.sampled_from(["", " # [x]"])))
    return "\n".join(rows)


@given(documents())
def test_scanner_and_reader_agree_on_any_document(text: str) -> None:
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return  # the same key or heading twice: the scanner is only asked about what the reader accepts
    assert line_map(text).paths() == paths_of(values)
