"""The plant that the faults are played against: it drops files, shows a register, and remembers everything it produced."""

from __future__ import annotations

import random
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pymodbus.constants import ExcCodes

from tests.faults.accountant import Answer, Due
from tests.support.plant_servers import Unit, float_registers

#: Heights of a tank in a storm [ft]: in 200 minutes from calm to two feet under the weir.
STORM = [4.3 + 0.04 * i for i in range(200)]
CALM = [4.0 + i / 100 for i in range(30)]

FIRST_CALLED = "Night operator (invented)"
CALLED_NEXT = "Supervisor (invented)"
#: (person, channel) → address
ADDRESSES = {
    (FIRST_CALLED, "sms"): "+15550100199",
    (FIRST_CALLED, "email"): "night@example.org",
    (CALLED_NEXT, "email"): "supervisor@example.org",
    (CALLED_NEXT, "sms"): "+15550100198",
}
#: What the gateway proves itself with when it passes on what people write.
HOOK_SECRET = "an invented secret of the gateway"

_SITE = """\
[site]
name = "Invented Creek Works"
units = "us"
time_zone = "America/New_York"

[[connector]]
key = "export"
kind = "csv"
folder = "drop"
settle = "0 s"

[[connector]]
key = "panel"
kind = "modbus"
host = "127.0.0.1"
port = {modbus}
every = "1 s"
timeout = "1 s"
[[connector.device]]
unit = 3
[[connector.device.point]]
name = "counter"
address = 0
type = "float32"

[[signal]]
tag = "COUNTER"
connector = "panel"
address = "counter"
kind = "flow"
unit = "MGD"
low = 0
high = 10000000

[[alarm]]
kind = "high-high"
clearance = 3
deadband = 0.5
on_delay = "0 s"
off_delay = "1 min"

[[alarm]]
kind = "core overdue"
enabled = false

[[contact]]
name = "{first}"
email = "night@example.org"
phone = "+15550100199"
channels = ["sms", "email"]

[[contact]]
name = "{next}"
email = "supervisor@example.org"
phone = "+15550100198"
channels = ["email", "sms"]

[[escalation]]
key = "danger"
priorities = ["high"]
steps = [
  {{ after = "0 min", contact = "{first}" }},
  {{ after = "1 min", contact = "{next}" }},
]

[[gateway]]
key = "phones"
channel = "sms"
url = "{gateway}/send"
body = '{{"to": "${{to}}", "text": "${{text}}", "key": "${{key}}"}}'
success = '"queued"'
timeout = "5 s"
hook_secret = "{secret_file}"
replies = {{ id = "id", sender = "from", text = "text" }}
"""

_TANK = """
[[tank]]
key = "{key}"
label = "Tank {key}"
kind = "secondary"
shape = "circular"
diameter = 80
side_water_depth = 14
core_position = "1/3"

[[signal]]
tag = "{tag}"
connector = "export"
kind = "blanket"
tank = "{key}"
unit = "ft"
measures = "height"
zero_height = 0
distance_from_wall = 20
low = 0
high = 14
stale_after = "12 h"
"""


class Register(Unit):
    """A register that shows another number at every reading, and remembers when it was read."""

    def __init__(self) -> None:
        super().__init__(3, holding={0: 0, 1: 0})
        #: For each number shown, when that was [steady clock, s].
        self.shown_at: list[float] = []

    async def _action(
        self,
        code: int,
        start: int,
        address: int,
        count: int,
        registers: list[int],
        written: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        self.holding[0], self.holding[1] = float_registers(float(len(self.shown_at)))
        self.shown_at.append(time.monotonic())
        return await super()._action(code, start, address, count, registers, written)


@dataclass
class Storm:
    """One tank that rose to danger: whoever is called first is told, or sleeps through it, and then the next one is."""

    tank: str
    dropped_at: float  #: [steady clock, s]
    answered_by: str = FIRST_CALLED
    during: list[str] = field(default_factory=list)  #: faults that were played until the call came
    called_at: float | None = None  #: when whoever answers was reached
    code: str = ""
    answer: Answer | None = None  #: once the service has taken it
    asked_at: float = 0.0  #: when the answer was last sent [steady clock, s]

    @property
    def due(self) -> Due:
        """Who must have been called."""
        return Due(tank=f"Tank {self.tank}", contact=self.answered_by)


class Plant:
    """What exists outside the service."""

    def __init__(self, folder: Path, tanks: int, rng: random.Random) -> None:
        self.folder = folder
        self.drop = folder / "drop"
        self.drop.mkdir(parents=True)
        self.tanks = [f"t{i:02d}" for i in range(tanks)]
        self.register = Register()
        #: (tag, time) → height [ft]
        self.produced: dict[tuple[str, datetime], float] = {}
        self.files: list[str] = []
        self.corrupt: list[str] = []
        self.storms: list[Storm] = []
        self._rng = rng
        self._calm_next = dict.fromkeys(self.tanks, datetime.min.replace(tzinfo=UTC))

    def write_site(self, modbus_port: int, gateway: str) -> Path:
        """Describe it in a site file."""
        path = self.folder / "site.toml"
        secret_file = self.folder / "gateway-secret"
        secret_file.write_text(HOOK_SECRET, "utf-8")
        site = _SITE.format(
            modbus=modbus_port, gateway=gateway, first=FIRST_CALLED, next=CALLED_NEXT, secret_file=secret_file
        )
        parts = [_TANK.format(key=key, tag=_tag(key)) for key in self.tanks]
        path.write_text(site + "".join(parts), "utf-8")
        return path

    def calm(self) -> None:
        """Every tank's past evening."""
        start = _minute() - timedelta(minutes=260)
        rows = [(key, start + timedelta(minutes=i), h) for key in self.tanks for i, h in enumerate(CALM)]
        self._drop("calm", rows)

    def storm(self) -> Storm | None:
        """The next tank rises; None when all have."""
        if len(self.storms) == len(self.tanks):
            return None
        key = self.tanks[len(self.storms)]
        start = _minute() - timedelta(minutes=len(STORM))
        parts = self._rng.choice((1, 1, 2, 4))  # a system that exports often, or seldom
        each = len(STORM) // parts
        for part in range(parts):
            chunk = [(key, start + timedelta(minutes=i), STORM[i]) for i in range(part * each, (part + 1) * each)]
            self._drop(f"storm-{key}-{part}", chunk)
        self.storms.append(Storm(key, time.monotonic(), self._rng.choice((FIRST_CALLED, FIRST_CALLED, CALLED_NEXT))))
        return self.storms[-1]

    def corrupt_file(self) -> None:
        """A file as it comes from a failing disk or a wrong export."""
        name = f"corrupt-{len(self.corrupt)}"
        kind = self._rng.choice(("noise", "empty", "cut archive", "words", "half a row"))
        match kind:
            case "noise":
                content = self._rng.randbytes(self._rng.randint(1, 5000))
            case "empty":
                content = b""
            case "cut archive":
                name, content = f"{name}.gz", b"\x1f\x8b\x08\x00" + self._rng.randbytes(200)
            case "words":
                content = b"the export failed: out of paper\n" * self._rng.randint(1, 50)
            case _:
                content = b"time,tag,value\n2026-01-01T00:0"
        final = f"{name.removesuffix('.gz')}.csv" + (".gz" if name.endswith(".gz") else "")
        (self.drop / f"{final}.part").write_bytes(content)
        (self.drop / f"{final}.part").rename(self.drop / final)
        self.corrupt.append(final)

    def waiting(self) -> list[str]:
        """Files that nobody has taken yet."""
        return sorted(path.name for path in self.drop.iterdir() if path.is_file() and ".csv" in path.suffixes)

    def _drop(self, name: str, rows: list[tuple[str, datetime, float]]) -> None:
        lines = [f"{time:%Y-%m-%dT%H:%M:%SZ},{_tag(key)},{height:.2f}" for key, time, height in rows]
        unfinished = self.drop / f"{name}.part"
        unfinished.write_text("\n".join(["time,tag,value", *lines]) + "\n", "utf-8")
        unfinished.rename(self.drop / f"{name}.csv")
        self.files.append(f"{name}.csv")
        self.produced.update({(_tag(key), time): round(height, 2) for key, time, height in rows})


def _tag(key: str) -> str:
    return f"{key.upper()}_BLANKET"


def _minute() -> datetime:
    return datetime.now(UTC).replace(second=0, microsecond=0)
