"""Structured logs: readable on a terminal, JSON lines for journald. Always on standard error."""

from __future__ import annotations

import logging
import sys
from typing import Literal

import structlog


def configure(style: Literal["console", "json"], level: int = logging.INFO) -> None:
    """Set the process's logging up, once, from the daemon or a verb."""
    renderer: structlog.types.Processor = (
        structlog.processors.JSONRenderer()
        if style == "json"
        else structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty())
    )
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=False,
    )
