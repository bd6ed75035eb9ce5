"""The commands that explain, measure and manage calls, as processes of their own."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.acceptance.test_commands import Command


@pytest.fixture
def underweir(tmp_path: Path, database_url: str) -> Command:
    command = Command(tmp_path, database_url)
    command.apply()
    return command


def test_duty_why_and_figures(underweir: Command) -> None:
    ahead = underweir.json("duty", "--days", "3")
    assert set(ahead) == {"duty"}
    assert all(stretch["person"] for stretch in ahead["duty"])
    assert "nights" in underweir("duty")

    chain = underweir.json("why", "east")
    assert {answer["key"] for answer in chain["alarms"]} >= {"east.high", "east.high-high"}
    assert "nothing received up to then" in underweir("why", "east")
    assert "did you mean 'east'?" in underweir.run("why", "esat").stderr

    (figures,) = underweir.json("figures", "--days", "7")
    assert (figures["alarms"], figures["targets"]["per_day"]["aim"]) == (0, "about 144")
    assert len(underweir.json("figures", "--months", "3")) == 3


def test_out_of_service_and_back(underweir: Command) -> None:
    underweir("alarms")
    out = underweir.json("out-of-service", "east.high", "--why", "probe cleaned", "--permit", "W-17", "--who", "Sam")
    assert (out["state"], out["changed"]) == ("out of service", True)
    again = underweir.json("out-of-service", "east.high", "--why", "x", "--who", "Sam", status=1)
    assert again["reason"] == "already out of service"
    assert underweir.json("in-service", "east.high", "--who", "Sam")["state"] == "normal"
    assert underweir.json("reset", "east.high", "--who", "Sam", status=1)["reason"] == "not latched"
    tank = ["east", "--who", "Sam"]
    assert underweir.json("out-of-service", *tank, "--why", "drained") == {
        "tank": "east",
        "state": "out of service",
        "changed": True,
    }
    assert underweir.json("in-service", *tank)["changed"]
    assert "in service already" in underweir.run("in-service", *tank).stdout
    assert "probe cleaned (permit W-17)" in str(underweir.json("journal", "--alarm", "east.high"))
