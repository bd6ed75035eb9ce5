"""Evidence that deploy/SECURITY.md names is there to be looked at."""

from __future__ import annotations

import re
from pathlib import Path

REPOSITORY = Path(__file__).parents[2]


def evidence() -> list[str]:
    """Every file named in the checklist, as written or beside the one named before it in the same cell."""
    page = (REPOSITORY / "deploy" / "SECURITY.md").read_text("utf-8")
    found, folder = [], Path()
    for line in page.splitlines():
        if not line.startswith("| V"):
            continue
        for name in re.findall(r"`([\w./-]+(?:\.py|\.txt|\.conf|/|sbom))`", line.split("|")[-2]):
            path = Path(name)
            if len(path.parts) == 1 and not name.endswith("/"):
                path = folder / name
            folder = path.parent
            found.append(str(path))
    return found


def test_every_file_named_as_evidence_exists() -> None:
    named = evidence()
    assert len(named) > 30
    missing = [name for name in named if not ((REPOSITORY / name).exists() or (REPOSITORY / "tests" / name).exists())]
    assert missing == []
