"""A real Redis with the users of the example, as an operator would set it up by what it says."""

from __future__ import annotations

import subprocess
import time
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

import redis

from bot.store.server import find_server

if TYPE_CHECKING:
    from collections.abc import Iterator

EXAMPLE = Path(__file__).parents[2] / "bot" / "operating" / "redis-users.acl"
PLACEHOLDER = "#" + "0" * 64
PASSWORD = "of this test only"  # noqa: S105
PATIENCE_S = 30.0


def users(text: str) -> str:
    """The example without its comments, each placeholder the hash of a password."""
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    digest = sha256(PASSWORD.encode()).hexdigest()
    return "\n".join(lines).replace(PLACEHOLDER, f"#{digest}") + "\n"


@contextmanager
def served(folder: Path) -> Iterator[Path]:
    """Serve an empty Redis with those users; give its socket."""
    acl, socket = folder / "users.acl", folder / "redis.sock"
    acl.write_text(users(EXAMPLE.read_text()))
    options = ("--port", "0", "--unixsocket", str(socket), "--dir", str(folder), "--save", "")
    server = subprocess.Popen(
        [find_server(), *options, "--aclfile", str(acl)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        deadline = time.monotonic() + PATIENCE_S
        while not socket.exists():
            assert server.poll() is None, "redis-server did not take the users"
            assert time.monotonic() < deadline
            time.sleep(0.02)
        yield socket
    finally:
        server.terminate()
        server.wait(PATIENCE_S)


def client(socket: Path, user: str) -> redis.Redis:
    """A client that signs in as one of the users."""
    return redis.Redis(unix_socket_path=str(socket), username=user, password=PASSWORD)
