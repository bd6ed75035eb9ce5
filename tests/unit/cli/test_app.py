"""Every command is found where the table says, and no other is loaded for it."""

from __future__ import annotations

import subprocess
import sys

import pytest
import typer.main
from typer.testing import CliRunner

from service.cli.app import PARTS, program


def names(command: str = "") -> list[str]:
    return list(typer.main.get_command(program(command)).commands)  # type: ignore[attr-defined]


@pytest.mark.parametrize("part", PARTS)
def test_a_part_brings_the_commands_that_the_table_names(part: str) -> None:
    for command in PARTS[part]:
        assert names(command) == list(PARTS[part])


def test_whoever_asks_for_help_or_mistypes_gets_them_all() -> None:
    every = [command for commands in PARTS.values() for command in commands]
    assert sorted(names()) == sorted(names("stauts")) == sorted(every)
    mistyped = CliRunner().invoke(program("stauts"), ["stauts"])
    assert mistyped.exit_code == 2
    assert "status" in mistyped.output


def test_taking_an_alarm_loads_neither_the_pages_nor_the_field_buses() -> None:
    heavy = "{'fastapi', 'asyncua', 'pymodbus', 'pandas', 'matplotlib', 'service.cli.operations.run'}"
    look = f"import sys; from service.cli.app import program; program('ack'); print(sorted({heavy} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True).stdout == "[]\n"
