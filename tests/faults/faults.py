"""What goes wrong: each fault begins, lasts a while, and is made good when its block ends."""

from __future__ import annotations

import math
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import LiteralString

from tests.faults.stand import FAKETIME, Stand

Fault = Callable[[Stand], AbstractContextManager[float]]  #: yields how long it is to last [s]


@contextmanager
def node_killed(stand: Stand) -> Iterator[float]:
    """kill -9, started again afterwards."""
    node = stand.some_node()
    stand.excuse()
    if node.process.running:
        node.process.end(signal.SIGKILL)
    yield stand.rng.choice((0.0, 1.0, 6.0))
    if not node.process.running:
        node.process.start()


@contextmanager
def all_killed(stand: Stand) -> Iterator[float]:
    """Power failure: every node at once."""
    stand.excuse()
    for node in stand.nodes:
        if node.process.running:
            node.process.end(signal.SIGKILL)
    yield stand.rng.uniform(0.0, 3.0)
    for node in stand.nodes:
        if not node.process.running:
            node.process.start()


@contextmanager
def node_ended(stand: Stand) -> Iterator[float]:
    """Stopped in good order, as for an upgrade."""
    node = stand.some_node()
    if stand.disk_was_full():
        stand.excuse()  # what waits in memory finds no disk
    if node.process.running:
        node.process.send(signal.SIGTERM)
    yield stand.rng.uniform(1.0, 6.0)
    if node.process.running:
        node.process.end(signal.SIGTERM)
    node.process.start()


@contextmanager
def node_paused(stand: Stand) -> Iterator[float]:
    """SIGSTOP, shorter or longer than its leases last; it wakes late and knows nothing."""
    node = stand.some_node()
    node.process.send(signal.SIGSTOP)
    yield stand.rng.choice((0.5, 3.0, 20.0))
    stand.excuse(before=2.0)
    node.process.send(signal.SIGCONT)


@contextmanager
def node_cut_off(stand: Stand) -> Iterator[float]:
    """One node no longer reaches the database, the other does."""
    node = stand.some_node()
    mode = stand.rng.choice(("refuse", "swallow", "drop"))
    for way in node.ways.values():
        way.mode = mode
        if mode == "refuse":
            way.sever()
    yield stand.rng.choice((2.0, 20.0))
    for way in node.ways.values():
        way.mode = "pass"
        way.sever()


@contextmanager
def slow_database(stand: Stand) -> Iterator[float]:
    """Every answer of the database comes late."""
    delay = stand.rng.choice((0.05, 0.2))
    for node in stand.nodes:
        for way in node.ways.values():
            way.delay = delay
    yield stand.rng.uniform(3.0, 10.0)
    for node in stand.nodes:
        for way in node.ways.values():
            way.delay = 0.0


@contextmanager
def database_restarted(stand: Stand) -> Iterator[float]:
    """The primary is stopped and started again."""
    server = stand.pair.primary
    server.stop()
    yield stand.rng.choice((0.0, 5.0, 18.0))
    server.recover()


@contextmanager
def database_killed(stand: Stand) -> Iterator[float]:
    """The primary dies and comes back by itself."""
    server = stand.pair.primary
    server.kill()
    yield stand.rng.choice((0.0, 5.0))
    server.recover()


@contextmanager
def database_paused(stand: Stand) -> Iterator[float]:
    """The primary hangs: it takes connections and never answers."""
    server = stand.pair.primary
    server.pause()
    yield stand.rng.choice((2.0, 8.0, 20.0))
    server.go_on()


@contextmanager
def failed_over(stand: Stand) -> Iterator[float]:
    """The primary dies for good, the standby takes its place, a new standby is built."""
    stand.pair.standby.recover()  # nobody can take over with a full disk
    stand.pair.fail_over()
    yield stand.rng.uniform(0.0, 5.0)
    stand.pair.attach()


@contextmanager
def mail_slow(stand: Stand) -> Iterator[float]:
    """The mail server answers late, or too late."""
    stand.mails.wait = stand.rng.choice((1.0, 4.0, 7.0))
    yield stand.rng.uniform(5.0, 12.0)
    stand.mails.wait = 0.0


@contextmanager
def mail_away(stand: Stand) -> Iterator[float]:
    """The mail server refuses, hangs, or takes a mail and says nothing."""
    kind = stand.rng.choice(("refuse", "swallow", "vanish", "not now"))
    if kind == "vanish":
        stand.mails.vanish = True
    elif kind == "not now":
        stand.mails.refuse = True
    else:
        stand.post.mode = kind
    yield stand.rng.uniform(3.0, 8.0)
    stand.mails.vanish = stand.mails.refuse = False
    stand.post.mode = "pass"
    stand.post.sever()


@contextmanager
def texts_away(stand: Stand) -> Iterator[float]:
    """The gateway of text messages is overloaded, answers too late, or takes a message and hangs up."""
    match stand.rng.choice(("overloaded", "late", "hangs up")):
        case "overloaded":
            stand.gateway.status = 503
        case "late":
            stand.gateway.delay = 7.0
        case _:
            stand.gateway.hang_up = True
    yield stand.rng.uniform(3.0, 8.0)
    stand.gateway.status, stand.gateway.delay, stand.gateway.hang_up = 200, 0.0, False


@contextmanager
def panel_line_bad(stand: Stand) -> Iterator[float]:
    """The line to the device refuses, swallows, garbles, cuts or flips bits."""
    stand.excuse()
    stand.panel.mode = stand.rng.choice(("refuse", "swallow", "drop", "garbage", "cut", "flip", "trickle"))
    lasts = stand.rng.uniform(2.0, 6.0)
    stand.excuse(after=lasts + 8.0)
    yield lasts
    stand.panel.mode = "pass"
    stand.panel.sever()


@contextmanager
def corrupt_files(stand: Stand) -> Iterator[float]:
    """Files that cannot be read."""
    for _ in range(stand.rng.randint(1, 3)):
        stand.plant.corrupt_file()
    yield 1.0


@contextmanager
def disk_full(stand: Stand) -> Iterator[float]:
    """A node's own disk takes nothing more, while the database is away too as often as not."""
    node = stand.some_node()
    node.disk.fill()
    began = time.monotonic()
    stand.full = (began, math.inf)
    server = stand.pair.primary if stand.rng.random() < 0.5 else None
    if server is not None:
        server.stop()
    yield stand.rng.uniform(2.0, 6.0)
    node.disk.free()
    stand.full = (began, time.monotonic() + 3.0)  # it is brought to disk within a second or two
    if server is not None:
        server.recover()


@contextmanager
def database_disk_full(stand: Stand) -> Iterator[float]:
    """The disk of the primary or of the standby takes nothing more; as often as not there is no place for the log either."""
    primary, standby = stand.pair.primary, stand.pair.standby
    # Where another fault is a fail-over, the old primary is history and must not be started again.
    server = standby if standby.running and stand.rng.random() < 0.3 else primary
    assert server.disk is not None
    server.disk.fill()
    if stand.rng.random() < 0.5:
        # No more for the standby than the primary keeps for it: else it would have to be built anew.
        primary.use_up_log(12 if server is primary else 3)
    yield stand.rng.choice((3.0, 10.0, 25.0))
    server.recover()


@contextmanager
def clock_stepped(stand: Stand) -> Iterator[float]:
    """A node's time of day jumps, and jumps back."""
    node = stand.some_node()
    node.set_clock(stand.rng.choice((-7200, -600, -30, 30, 600, 7200)))
    yield stand.rng.uniform(4.0, 12.0)
    node.set_clock(0)


#: The database takes no value of the register any more: for good, as far as it says.
_REFUSE = """
DO $$ BEGIN
    PERFORM set_config('lock_timeout', '2s', true);
    EXECUTE format('ALTER TABLE reading ADD CONSTRAINT odd CHECK (signal_id <> %s) NOT VALID',
                   (SELECT id FROM signal WHERE tag = 'COUNTER'));
END $$
"""
_TAKE = """
DO $$ BEGIN
    PERFORM set_config('lock_timeout', '2s', true);
    ALTER TABLE reading DROP CONSTRAINT odd;
END $$
"""
_REFUSES = "SELECT count(*) FROM pg_constraint WHERE conname = 'odd' AND conrelid = 'reading'::regclass"


@contextmanager
def values_refused(stand: Stand) -> Iterator[float]:
    """The database refuses the register's values; afterwards it is mended, and somebody has them tried again."""
    _insist(stand, _REFUSE, 1)
    yield stand.rng.uniform(3.0, 10.0)
    _insist(stand, _TAKE, 0)
    stand.try_refused_again()


def _insist(stand: Stand, order: LiteralString, refusing: int) -> None:
    """Give an order until it is obeyed: the server may still be getting up, and the table be in use."""
    for _ in range(60):
        if stand.pair.primary.ask(_REFUSES) == refusing:
            return
        stand.pair.primary.ask(order)
        time.sleep(0.5)
    raise TimeoutError("the database was not to be told what it refuses")


#: Faults that never come between handing a message over and noting it: where one makes a doubtful end, that is noted.
BESIDE_DELIVERY = frozenset(
    {"mail slow", "mail away", "texts away", "panel line bad", "corrupt files", "values refused", "database slow"}
)


def known_faults(*, disks: bool) -> tuple[dict[str, Fault], list[str]]:
    """Every fault that can be played here by its name, and why the others cannot."""
    faults: dict[str, Fault] = {
        "node killed": node_killed,
        "all nodes killed": all_killed,
        "node stopped in order": node_ended,
        "node paused": node_paused,
        "node cut off": node_cut_off,
        "database slow": slow_database,
        "database restarted": database_restarted,
        "database killed": database_killed,
        "database paused": database_paused,
        "failed over": failed_over,
        "mail slow": mail_slow,
        "mail away": mail_away,
        "texts away": texts_away,
        "panel line bad": panel_line_bad,
        "corrupt files": corrupt_files,
        "values refused": values_refused,
    }
    left_out = []
    if disks:
        faults |= {"disk full": disk_full, "database's disk full": database_disk_full}
    else:
        left_out.append("disk full, database's disk full (only root can mount a small disk)")
    if FAKETIME is not None:
        faults["clock stepped"] = clock_stepped
    else:
        left_out.append("clock stepped (apt-get install libfaketime)")
    return faults, left_out
