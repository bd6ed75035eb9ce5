"""Logging: one JSON line per event on standard error, or plain lines for a person at a terminal."""

from __future__ import annotations

import logging
import sys

import structlog


def configure(level: str = "INFO", *, as_json: bool = True) -> None:
    """Send our events and those of every library through one formatter.

    Parameters
    ----------
    level : name of the lowest level shown.
    as_json : one JSON object a line when true; readable lines otherwise.
    """
    shared: list[structlog.types.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_logger_name,
        structlog.stdlib.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.format_exc_info,
    ]
    renderer: structlog.types.Processor = (
        structlog.processors.JSONRenderer(default=str) if as_json else structlog.dev.ConsoleRenderer(colors=False)
    )
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, renderer],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level)
    # APScheduler says each run at INFO; at our poll rates that is noise without news.
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    # What goes wrong on a line reaches us as an error of its source; these say it again for every try, with tracebacks.
    for library in ("pymodbus", "asyncua"):
        logging.getLogger(library).setLevel(logging.CRITICAL)
    structlog.configure(
        processors=[*shared, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        wrapper_class=structlog.stdlib.BoundLogger,
        logger_factory=structlog.stdlib.LoggerFactory(),
        cache_logger_on_first_use=False,
    )
