"""Logging that never blocks and never raises into control.

structlog renders; the standard library's queue carries; a full queue drops the line and counts it.
"""

import logging
import logging.handlers
import queue
import sys
from typing import Literal, TextIO

import structlog

QUEUE_LINES = 5000


class _DroppingHandler(logging.handlers.QueueHandler):
    """Puts a line into the queue, or drops and counts it when the reader has stalled."""

    dropped = 0

    def enqueue(self, record: logging.LogRecord) -> None:
        """Never wait, never raise."""
        try:
            self.queue.put_nowait(record)
        except queue.Full:
            self.dropped += 1


def start_logging(
    form: Literal["json", "console"], stream: TextIO | None = None
) -> logging.handlers.QueueListener:
    """Send log lines to a stream (standard error) from a thread of its own; return that listener."""
    lines: queue.Queue[logging.LogRecord] = queue.Queue(maxsize=QUEUE_LINES)
    output = logging.StreamHandler(stream or sys.stderr)
    output.setFormatter(logging.Formatter("%(message)s"))
    listener = logging.handlers.QueueListener(lines, output)
    root = logging.getLogger()
    root.handlers = [_DroppingHandler(lines)]
    root.setLevel(logging.INFO)
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    logging.raiseExceptions = False  # a closed pipe must not print tracebacks for ever
    renderer: structlog.typing.Processor = (
        structlog.processors.JSONRenderer(ensure_ascii=False)
        if form == "json"
        else structlog.dev.ConsoleRenderer(colors=output.stream.isatty())
    )
    structlog.configure(
        processors=[
            structlog.stdlib.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            renderer,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=True,
    )
    listener.start()
    return listener
