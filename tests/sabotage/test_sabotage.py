"""The saboteur itself: it changes what it says, disturbs nothing, and knows a suite that notices from one that does not."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from tests.sabotage.campaign import (
    UNNOTICED,
    Tried,
    equivalents,
    is_marked,
    known,
    report,
    run,
    sample,
    workers,
)
from tests.sabotage.mutations import mutations
from tests.sabotage.reach import Reach, parts_of, record

TREE = Path(__file__).resolve().parents[2]


def changes(source: str) -> set[str]:
    return {m.change for m in mutations("service/x.py", source.encode())}


@pytest.mark.parametrize(
    ("source", "change"),
    [
        ("def f(a, b):\n    return a < b", "< → <="),
        ("def f(a, b):\n    return a < b", "< → >="),
        ("def f(a, b):\n    return a is not None", "is not → is"),
        ("def f(a, b):\n    return a and b()", "a → True"),
        ("def f(a, b):\n    return a and b()", "and → or"),
        ("def f(a):\n    if a.b:\n        g()", "a.b → (not (a.b))"),
        ("def f(a):\n    if not a:\n        g()", "not a → (a)"),
        ("def f(a, b):\n    return a - b", "- → +"),
        ("def f(a, b):\n    a.n += b", "a.n += b → pass"),
        ("def f(a, b):\n    return g(a, b)", "a, b → b, a"),
        ("def f(a, b):\n    return min(a, b)", "min → max"),
        ("def f(a):\n    if a:\n        raise ValueError(a)", "raise ValueError(a) → pass"),
        ("def f(a):\n    a.close()", "a.close() → pass"),
        ("def f():\n    try:\n        g()\n    except OSError:\n        h()", "OSError → ()"),
        ("def f():\n    with suppress(OSError):\n        g()", "suppress(OSError) → suppress()"),
        ("def f(a):\n    with a._lock:\n        g()", 'a._lock → __import__("contextlib").nullcontext()'),
        ("def f(after=timedelta(minutes=0)):\n    pass", "0 → 1"),
        ("LIMIT = 0.3048", "0.3048 → (0.3048 * 2)"),
        ("class A:\n    latching: bool = False", "False → True"),
        ("def f():\n    return select(A).where(A.x, A.y)", "A.x → True"),
        ("def f():\n    return select(A).with_for_update(of=A)", ".with_for_update(of=A) → nothing"),
        ('S = text("SELECT a FROM b WHERE c = :c AND d <= :d")', "AND d <= :d → nothing"),
        ('S = text("SELECT a FROM b WHERE c = 1 FOR UPDATE OF b SKIP LOCKED")', "SKIP LOCKED → nothing"),
        ('S = text("SELECT a FROM b WHERE c = 1 FOR UPDATE OF b SKIP LOCKED")', "FOR UPDATE OF b SKIP LOCKED → nothing"),
        ('@r.post("/x", dependencies=[Checked])\ndef f(v: Administrator):\n    pass', "[Checked] → []"),
        ('@r.post("/x", dependencies=[Checked])\ndef f(v: Administrator):\n    pass', "Administrator → Supervisor"),
    ],
)  # fmt: skip
def test_a_change_is_made(source: str, change: str) -> None:
    found = {" ".join(m.change.split()) for m in mutations("service/x.py", source.encode())}
    short = {one.replace("(a) < (b)", "<") for one in found}
    operators = {m.change.strip() for m in mutations("service/x.py", source.encode())}
    assert change in short | operators, sorted(found)


@pytest.mark.parametrize(
    "source",
    [
        '"""Text 1 < 2."""',
        "from __future__ import annotations",
        "def f(a: int) -> str:\n    return f'{a + 1}'",
        "def f():\n    log.info('x', count=1)",
        "@dataclass(frozen=True, slots=True)\nclass A:\n    a: int",
        "def f():\n    g(1 < 2)  # pragma: no cover" if False else "X = 'words and nothing else'",
    ],
)
def test_what_nobody_would_call_a_fault_is_left_out(source: str) -> None:
    assert [m for m in mutations("service/x.py", source.encode()) if m.operator != "returns nothing"] == []


@pytest.mark.parametrize(
    "path",
    ["service/storage/operations/leases.py", "service/domain/plant/units.py", "service/web/accounts/people_page.py"],
)
def test_every_change_of_a_real_file_is_python_and_touches_nothing_else(path: str) -> None:
    source = (TREE / path).read_bytes()
    found = mutations(path, source)
    assert len(found) > 30
    for one in found:
        changed = one.applied(source)
        compile(changed, path, "exec")
        assert changed[: one.start] == source[: one.start]
        assert changed[one.start + len(one.new.encode()) :] == source[one.end :]
        assert source[one.start : one.end].decode() == one.old


def test_the_same_seed_chooses_the_same() -> None:
    found = mutations("service/domain/plant/units.py", (TREE / "service/domain/plant/units.py").read_bytes())
    assert sample(found, 20, 7) == sample(found, 20, 7) != sample(found, 20, 8)
    assert sample(found, None, 1) == found


def test_what_is_marked_as_equivalent_is_there_and_says_why() -> None:
    marked = equivalents()
    there = (
        {(m.path, m.within, m.change) for m in known(TREE, sorted({path for path, *_ in marked}))} if marked else set()
    )
    assert set(marked) - there == set(), "these changes no longer exist: take their lines out"
    assert all(len(reason) > 20 for reason in marked.values())


@pytest.mark.search
def test_a_suite_that_looks_is_told_from_one_that_does_not(tmp_path: Path) -> None:
    tree, place = tmp_path / "tree", tmp_path / "recorded"
    (tree / "service").mkdir(parents=True)
    (tree / "tests" / "unit").mkdir(parents=True)
    (tree / "connectors").mkdir()
    code = "LIMIT = 5.0\n\n\ndef high(x):\n    return x > LIMIT\n\n\ndef unseen(x):\n    return x < 1\n\n\ndef ever(x):\n    while x < 3:\n        x += 1\n    return x\n"
    (tree / "service" / "__init__.py").touch()
    (tree / "service" / "x.py").write_text(code)
    (tree / "tests" / "unit" / "test_x.py").write_text(
        "from service.x import ever, high\n\n\ndef test_high():\n    assert high(6.0)\n    assert not high(5.0)\n\n\n"
        "def test_ever():\n    assert ever(0) == 3\n"
    )
    subprocess.run(["git", "init", "-q"], cwd=tree, check=True)
    parts = parts_of(tree, ["tests/unit"])
    assert record(tree, parts, place, jobs=1) == ["tests/unit/test_x.py"]
    assert record(tree, parts, place, jobs=1) == []  # nothing has changed
    chosen = known(tree, ["service"])
    reach = Reach(tree, place, parts)
    with workers(tree, tmp_path, 1, {}, ["tests/unit/test_x.py"]) as crew:
        results = run(tree, chosen, reach, crew, budget=60.0, patience=2.0, say=lambda one: None)
    outcome = {(t.mutation.within, t.mutation.change.strip()): t.outcome for t in results}
    assert (tree / "service" / "x.py").read_text() == code
    assert {change: found for (name, change), found in outcome.items() if name == "high"} == {
        "> → >=": "killed",
        "> → <=": "killed",
    }
    assert {found for (name, _), found in outcome.items() if name == "unseen"} == {"not reached"}
    assert outcome["", "5.0 → (5.0 * 2)"] == "killed"
    assert outcome["ever", "x += 1 → pass"] == "ran on"
    assert outcome["ever", "+ → -"] == "ran on"
    shown = report(results, 0)
    assert "service/x.py:9 in unseen: comparison" in shown
    assert "noticed" in shown


def test_figures_count_what_was_not_reached_as_unnoticed() -> None:
    [one, *_] = mutations("service/alarms/x.py", b"def f(a, b):\n    return a < b")
    results = [Tried(one, outcome, 1) for outcome in ("killed", "ran on", *UNNOTICED)]
    assert "service/alarms: 2 of 5 noticed, 40 %" in report(results, 3)
    assert "3 marked as equivalent" in report(results, 3)
    assert is_marked(one, {(one.path, one.within, one.change)})
