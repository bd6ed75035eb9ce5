"""Leadership: renew this node's leases, acquire free ones, and grant each piece of work under its lease."""

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
    """Return monotonic seconds that also count while the machine is suspended."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


@dataclass(frozen=True, slots=True)
class LeaseGrant:
    """Permission to do one piece of work.

    ``engine`` refuses to commit writes once another node has taken over; ``still_leader`` says by this node's own clock
    whether it may go on, and is called before anything that cannot be undone.
    """

    engine: Engine
    token: int = 0
    still_leader: Callable[[], bool] = lambda: True


class Leases(Protocol):
    """The leases as jobs see them."""

    def grant(self, name: str) -> LeaseGrant | None:
        """Grant that work now; None where it is another node's, or it is not known."""
        ...

    def status(self, name: str) -> LeaseStatus:
        """This node's status on that lease."""
        ...

    @property
    def up_to_date(self) -> bool:
        """Whether the database answered within a lease's term."""
        ...


class SingleNode:
    """All leases of a single process, as in the demonstration and in tests."""

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
    """Renews the leases of one run of the service on a thread of its own.

    Parameters
    ----------
    names : every lease.
    on_time : called with the database's time, and when by *clock* it was queried and answered.
    hang_after : timeout of an answer of the database [s]; then every connection of the engine is killed, as a server that
        hangs would block the jobs for ever. Their leases have lapsed by then, so nothing is lost that would have counted.
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
        renew_every: float = TURN_S,
        hang_after: float = 2 * TERM_S,
    ) -> None:
        self._engine = engine
        # A connection of its own: renewing must not wait for the pool.
        self._own_engine = dedicated_engine(engine, application_name="underweir leases")
        self._killer = ConnectionKiller(engine, self._own_engine)
        self._hang_after = hang_after
        self._waiting_since: float | None = None
        self._answered_at = -math.inf  #: when the newest answered query was sent
        self._holder = holder
        self._names = tuple(names)
        self._clock = clock
        self._on_time = on_time
        self._term = term
        self._renew_every = renew_every
        self._tenures: dict[str, Tenure] = dict.fromkeys(names, Tenure())
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._away = False
        self._created = False  #: whether the leases have their rows, and those of earlier runs are released

    def start(self, *, patient: bool = False) -> None:
        """Acquire free leases before this returns, then renew them on the thread.

        Parameters
        ----------
        patient : where the database is away, start all the same and acquire them when it is back.

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
        """Stop renewing, and release every lease to the other nodes."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(self._term)
        self._tenures = dict.fromkeys(self._names, Tenure())
        try:
            with transaction(self._own_engine) as conn:
                leases.release(conn, self._holder)
        except StorageError as error:
            log.warning("leases not given up; they run out by themselves", error=str(error))
        self._own_engine.dispose()

    def kill_connections(self) -> int:
        """Kill every connection of this node, so that no job hangs in the database; returns how many there were."""
        return self._killer.kill_all()

    def renew(self) -> None:
        """Renew held leases and acquire free ones.

        Raises
        ------
        StorageError
            when the database is away; held leases are held until they lapse.
        """
        asked_at = self._clock()
        self._waiting_since = self._waiting_since or asked_at
        answered = False
        try:
            with transaction(self._own_engine) as conn:
                if not self._created:
                    leases.create_leases(conn, self._names)
                    leases.release_earlier(conn, self._holder)
                found = leases.renew(conn, self._holder, self._names, self._term)
                before_asking = self._clock()
                self._on_time(leases.database_time(conn), before_asking, self._clock())
            answered = self._created = True
            self._answered_at = asked_at
        finally:
            # A server that refuses at once blocks nobody. One that lets a lock time out, as where a commit hangs because a
            # standby's disk is full, blocks the jobs too: its time goes on counting.
            if answered or self._clock() - asked_at < self._renew_every:
                self._waiting_since = None
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
        """Grant that work now, under its fencing token."""
        tenure = self._tenures[name]
        if tenure.standing(self._clock()) is not LeaseStatus.HELD:
            return None
        fence = Fence(name, self._holder.process, tenure.token)
        return LeaseGrant(fenced(self._engine, fence), tenure.token, lambda: self._is_still_leader(name, tenure.token))

    def status(self, name: str) -> LeaseStatus:
        """This node's status on that lease, by its own clock."""
        return self._tenures[name].standing(self._clock())

    @property
    def up_to_date(self) -> bool:
        """Whether the database answered within a lease's term."""
        return self._clock() - self._answered_at < self._term

    def _is_still_leader(self, name: str, token: int) -> bool:
        tenure = self._tenures[name]
        return tenure.token == token and tenure.standing(self._clock()) is LeaseStatus.HELD

    def _watch(self) -> None:
        while not self._stop.wait(min(1.0, self._hang_after / 4)):
            since = self._waiting_since
            if since is not None and self._clock() - since > self._hang_after:
                self._waiting_since = None
                log.error("the database does not answer; connections cut", connections=self.kill_connections())

    def _run(self) -> None:
        while not self._stop.wait(self._renew_every):
            try:
                self.renew()
            except StorageError as error:
                if not self._away:
                    log.warning("leases not renewed", error=str(error))
                self._away = True
            except Exception:
                # Last line of defence: without this thread the node would do nothing for good.
                log.exception("leases not renewed")
            else:
                if self._away:
                    log.info("leases renewed again")
                self._away = False
