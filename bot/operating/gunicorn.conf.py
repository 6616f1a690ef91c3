# ruff: noqa: N999 - the name is for gunicorn, which reads it as a file
"""How gunicorn serves Fieldbell: `gunicorn --config THIS "bot.web:create_app()"`.

Where it listens, how many processes serve, and how long a request may take come from the
command line or GUNICORN_CMD_ARGS, which win over what is here. The rest is as Fieldbell needs it.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from typing import TYPE_CHECKING

from bot.operating.logs import ACCESS, described
from bot.settings import Settings

if TYPE_CHECKING:
    from typing import Any

_settings = Settings.read(os.environ)

_COUNTS = "PROMETHEUS_MULTIPROC_DIR"
if _settings.metrics_key and _COUNTS not in os.environ:
    # Processes count requests together in here, from this start on; also when this is read again.
    os.environ[_COUNTS] = tempfile.mkdtemp(prefix="fieldbell-counts-")

wsgi_app = "bot.web:create_app()"
bind = ["127.0.0.1:8080"]
worker_class = "gthread"
workers = 2
threads = 8
timeout = 30
graceful_timeout = 30
"""Seconds a request under way may take when the server is asked to stop."""
keepalive = 15
max_requests = 100_000
max_requests_jitter = 10_000
limit_request_line = 8190
# systemd or the container commands it by signals; a socket beside them is one door more, and would
# have to be written where nothing is.
control_socket_disable = True

accesslog = "-"
access_log_format = ACCESS
logconfig_dict = described(_settings)


def child_exit(_: Any, worker: Any) -> None:  # noqa: ANN401 - gunicorn's own
    """Let a process that ended be counted no more among those alive."""
    if _COUNTS in os.environ:
        from prometheus_client import multiprocess  # noqa: PLC0415 - only where it is used

        multiprocess.mark_process_dead(worker.pid)  # type: ignore[no-untyped-call]


def on_exit(_: Any) -> None:  # noqa: ANN401 - gunicorn's own
    """Clear away what was counted, when the server itself ends."""
    if _COUNTS in os.environ:
        shutil.rmtree(os.environ[_COUNTS], ignore_errors=True)
