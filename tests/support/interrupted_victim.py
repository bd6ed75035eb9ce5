"""A process that is told to stop at any moment of its work with the database, again and again.

``python -m tests.support.interrupted_victim URL ROUNDS SEED``: ends with 0 when every stop was heard as a stop.
"""

from __future__ import annotations

import os
import random
import signal
import sys
import threading

from sqlalchemy import text

from service import logs
from service.cli.base.stopping import stop_like_ctrl_c
from service.storage.database.session import make_engine, transaction

INSERT = text("INSERT INTO connector_state (connector, state) VALUES (:name, '{}')")
ROWS = [{"name": f"source {number}"} for number in range(300)]


def main(url: str, rounds: int, seed: int) -> None:
    """Work and be interrupted; anything else than an interruption goes through."""
    logs.configure("WARNING", as_json=False)
    stop_like_ctrl_c()
    engine = make_engine(url)
    draw = random.Random(seed)
    for _ in range(rounds):
        stop = threading.Timer(draw.uniform(0.0001, 0.03), os.kill, (os.getpid(), signal.SIGTERM))
        try:
            stop.start()
            while True:
                with transaction(engine) as connection:
                    connection.execute(INSERT, ROWS)
                    connection.execute(text("DELETE FROM connector_state"))
        except KeyboardInterrupt:
            stop.join()
    engine.dispose()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
