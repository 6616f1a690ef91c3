"""How the log is written, by every process alike, and never with a phone number in it.

Numbers are masked where they are known (`bot.gateways.numbers.masked`). What comes from elsewhere,
an address that was asked for or what a library says of an error, is masked here: whatever looks
like a number, in any record of any logger, its exception and all. So a few figures that are none
are masked too: that is the price.
"""

from __future__ import annotations

import json
import logging
import logging.config
import re
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from bot.gateways.numbers import masked

if TYPE_CHECKING:
    from bot.settings import Settings

PLAIN = "%(asctime)s %(levelname)s %(message)s"

ACCESS = '%(m)s %(U)s %(s)s %(B)s bytes %(D)s us "%(a)s"'
"""An access log's line for gunicorn: without the query, in which a gateway may spell a whole text,
and without the address, which is the gateway's, the proxy's, or somebody's home."""

_LIKE_A_NUMBER = re.compile(
    # With a plus, as it is or in a URL, or a leading nought; perhaps with spaces and the like.
    r"(?:\+|%2[Bb]|(?<!\d)0)\d(?:[ .()/-]{0,2}\d){6,14}"
    # Or any eight digits in a row: numbers without a plus, and the ids made of them.
    r"|\d{8,}"
)


def mask_numbers(text: str) -> str:
    """Return a text with all that looks like a phone number masked."""
    return _LIKE_A_NUMBER.sub(lambda found: masked(found[0]), text)


class _Plain(logging.Formatter):
    """A line for people; the time stays readable."""

    def format(self, record: logging.LogRecord) -> str:
        return _masked_after_time(super().format(record), self.formatTime(record))


class _Json(logging.Formatter):
    """A JSON object a line: time (RFC 3339, UTC), level, logger, message, and any exception."""

    def format(self, record: logging.LogRecord) -> str:
        at = datetime.fromtimestamp(record.created, UTC)
        said = {
            "time": at.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": mask_numbers(record.getMessage()),
        }
        if record.exc_info:
            said["exception"] = mask_numbers(self.formatException(record.exc_info))
        return json.dumps(said, ensure_ascii=False)


def _masked_after_time(line: str, time: str) -> str:
    head = time if line.startswith(time) else ""
    return head + mask_numbers(line[len(head) :])


def described(settings: Settings) -> dict[str, Any]:
    """Describe the log as `logging.config.dictConfig` wants it, with gunicorn's own loggers.

    Everything goes to standard error, where systemd, a container or a shell takes it.
    """
    level = settings.log_level.upper()
    through = {"level": level, "handlers": [], "propagate": True}
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {
            "plain": {"()": _Plain, "fmt": PLAIN},
            "json": {"()": _Json},
        },
        "handlers": {
            "stderr": {"class": "logging.StreamHandler", "formatter": settings.log_format}
        },
        "root": {"level": level, "handlers": ["stderr"]},
        "loggers": {"gunicorn.error": through, "gunicorn.access": through},
    }


def configure(settings: Settings) -> None:
    """Write this process's log as the settings say."""
    logging.config.dictConfig(described(settings))
