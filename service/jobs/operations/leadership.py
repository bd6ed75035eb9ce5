"""Holds this node's leases: renews them, looks for free ones, and says before each piece of work whether it may be done."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

import structlog
from sqlalchemy import Engine

from service.domain.operations.lease import TERM_S, TURN_S, LeaseStatus, Tenure
from service.errors import StorageError
from service.storage.database.connection_killer import ConnectionKiller
from service.storage.database.session import dedicated_engine, fenced, transaction
from service.storage.operations import leases
from service.storage.operations.leases import Fence, Holder

log = structlog.get_logger(__name__)


def steady_clock() -> float:
    """Seconds that go on while the machine is suspended and heed no setting of its clock."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


@dataclass(frozen=True, slots=True)
class LeaseGrant:
    """Leave to do one piece of work.

    ``engine`` refuses to commit what is written once another node has taken over; ``still`` says by this node's own clock
    whether it may go on, and is asked before anything that cannot be taken back.
    """

    engine: Engine
    token: int = 0
    still_leader: Callable[[], bool] = lambda: True


class Leases(Protocol):
    """Who may do what."""

    def grant(self, name: str) -> LeaseGrant | None:
        """Leave to do that work now; None where it is another node's, or it is not known."""
        ...

    def status(self, name: str) -> LeaseStatus:
        """How this node stands to that work."""
        ...

    @property
    def up_to_date(self) -> bool:
        """Whether the database said so a moment ago."""
        ...


class SingleNode:
    """One process that does everything, as in the demonstration and in tests."""

    def __init__(self, engine: Engine) -> None:
        self._held = LeaseGrant(engine)

    def grant(self, name: str) -> LeaseGrant:
        """Always."""
        return self._held

    def status(self, name: str) -> LeaseStatus:
        """Always held."""
        return LeaseStatus.HELD

    @property
    def up_to_date(self) -> bool:
        """Always."""
        return True


class LeaseKeeper:
    """Keeps the leases of one run of the service on a thread of its own.

    Parameters
    ----------
    names : every piece of work there is.
    on_time : told the database's time, and when by *clock* it was asked for and answered.
    hang_after : how long an answer of the database is waited for [s]; then every connection of the engine is cut, as a server
        that hangs would hold the jobs for ever. Their leases have lapsed by then, so nothing is lost that would have counted.
    """

    def __init__(
        self,
        engine: Engine,
        holder: Holder,
        names: Sequence[str],
        *,
        clock: Callable[[], float] = steady_clock,
        on_time: Callable[[datetime, float, float], None] = lambda theirs, asked_at, answered_at: None,
        term: float = TERM_S,
        turn: float = TURN_S,
        hang_after: float = 2 * TERM_S,
    ) -> None:
        self._engine = engine
        # A connection of its own: renewing must not wait until a job or a page gives one back.
        self._line = dedicated_engine(engine, application_name="underweir leases")
        self._lines = ConnectionKiller(engine, self._line)
        self._hang_after = hang_after
        self._asking_since: float | None = None
        self._answer_to = -math.inf  #: when the last question was asked that the database answered
        self._holder = holder
        self._names = tuple(names)
        self._clock = clock
        self._on_time = on_time
        self._term = term
        self._turn = turn
        self._tenures: dict[str, Tenure] = dict.fromkeys(names, Tenure())
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._away = False
        self._described = False  #: whether the leases have their rows, and those of earlier runs are given up

    def start(self, *, patient: bool = False) -> None:
        """Take what is free before this returns, then keep it.

        Parameters
        ----------
        patient : where the database is away, begin all the same and take them when it is back.

        Raises
        ------
        StorageError
            when the database is away.
        """
        try:
            self.renew()
        except StorageError as error:
            if not patient:
                raise
            log.warning("leases not taken yet", error=str(error))
        self._thread = threading.Thread(target=self._run, name="leases", daemon=True)
        self._thread.start()
        threading.Thread(target=self._watch, name="watch leases", daemon=True).start()

    def stop(self) -> None:
        """Leave everything to the other nodes."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(self._term)
        self._tenures = dict.fromkeys(self._names, Tenure())
        try:
            with transaction(self._line) as conn:
                leases.release(conn, self._holder)
        except StorageError as error:
            log.warning("leases not given up; they run out by themselves", error=str(error))
        self._line.dispose()

    def kill_connections(self) -> int:
        """Cut every connection of this node, so that no job hangs in the database; returns how many there were."""
        return self._lines.cut()

    def renew(self) -> None:
        """Renew what is held and take what is free.

        Raises
        ------
        StorageError
            when the database is away; what is held is held until it lapses.
        """
        asked_at = self._clock()
        self._asking_since = self._asking_since or asked_at
        answered = False
        try:
            with transaction(self._line) as conn:
                if not self._described:
                    leases.create_leases(conn, self._names)
                    leases.release_earlier(conn, self._holder)
                found = leases.renew(conn, self._holder, self._names, self._term)
                before_asking = self._clock()
                self._on_time(leases.database_time(conn), before_asking, self._clock())
            answered = self._described = True
            self._answer_to = asked_at
        finally:
            # A server that refuses at once holds nobody. One that lets us wait until a lock is given up, as where a commit hangs
            # because a standby's disk is full, holds the jobs too: that is counted on.
            if answered or self._clock() - asked_at < self._turn:
                self._asking_since = None
        before = self._tenures
        self._tenures = {
            name: Tenure.granted(found[name], asked_at, self._term) if name in found else Tenure()
            for name in self._names
        }
        gained = [name for name in self._names if found.get(name, 0) not in (0, before[name].token)]
        lost = [name for name in self._names if before[name].token and name not in found]
        if gained:
            log.info("work taken on", work=gained, node=self._holder.node_name)
        if lost:
            log.warning("work taken over by another node", work=lost, node=self._holder.node_name)

    def grant(self, name: str) -> LeaseGrant | None:
        """Leave to do that work now, under the number it is held by."""
        tenure = self._tenures[name]
        if tenure.standing(self._clock()) is not LeaseStatus.HELD:
            return None
        fence = Fence(name, self._holder.process, tenure.token)
        return LeaseGrant(fenced(self._engine, fence), tenure.token, lambda: self._still(name, tenure.token))

    def status(self, name: str) -> LeaseStatus:
        """How this node stands to that work, by its own clock."""
        return self._tenures[name].standing(self._clock())

    @property
    def up_to_date(self) -> bool:
        """Whether the database answered within a lease's term."""
        return self._clock() - self._answer_to < self._term

    def _still(self, name: str, token: int) -> bool:
        tenure = self._tenures[name]
        return tenure.token == token and tenure.standing(self._clock()) is LeaseStatus.HELD

    def _watch(self) -> None:
        while not self._stop.wait(min(1.0, self._hang_after / 4)):
            since = self._asking_since
            if since is not None and self._clock() - since > self._hang_after:
                self._asking_since = None
                log.error("the database does not answer; connections cut", connections=self.kill_connections())

    def _run(self) -> None:
        while not self._stop.wait(self._turn):
            try:
                self.renew()
            except StorageError as error:
                if not self._away:
                    log.warning("leases not renewed", error=str(error))
                self._away = True
            except Exception:
                # The last line of defence: without this thread the node would stand still for good.
                log.exception("leases not renewed")
            else:
                if self._away:
                    log.info("leases renewed again")
                self._away = False
