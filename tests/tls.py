"""TLS as an operator sets it up: certificates of an authority of their own, and who serves with them.

The certificates are made by trustme, anew for each folder.
"""

from __future__ import annotations

import select
import socket
import ssl
import subprocess
import threading
from contextlib import ExitStack, suppress
from datetime import UTC, datetime
from functools import cache
from typing import TYPE_CHECKING, Self

import trustme

from bot.store.server import find_server

if TYPE_CHECKING:
    from pathlib import Path

ADDRESS = "127.0.0.1"
PIECE = 65536
FAR_S = 10.0
"""How long a peer that says nothing is waited for."""


class Certificates:
    """An authority, and files with what it signed for a server and for whoever calls it."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._authority = trustme.CA()
        self.authority = folder / "authority.pem"
        self._authority.cert_pem.write_to_path(self.authority)
        self.server = self.made("server", ADDRESS)
        self.client = self.made("client", "fieldbell.example.org")

    def made(self, name: str, host: str, until: datetime | None = None) -> Path:
        """Make a certificate for a host; return the file that holds it after its key."""
        since = until and datetime(2020, 1, 1, tzinfo=UTC)
        one = self._authority.issue_cert(host, not_before=since, not_after=until)
        file = self._folder / f"{name}.pem"
        one.private_key_and_cert_chain_pem.write_to_path(file)
        return file

    def served(self, port: int) -> tuple[str, ...]:
        """Options of a redis-server that speaks TLS alone, to clients and to other servers."""
        return (
            *("--port", "0", "--tls-port", str(port), "--tls-auth-clients", "optional"),
            *("--tls-cert-file", str(self.server), "--tls-key-file", str(self.server)),
            *("--tls-ca-cert-file", str(self.authority), "--tls-replication", "yes"),
        )


class Relay:
    """Speaks TLS on a port of its own before a Redis that may not know how.

    What it is told goes on to the Redis's unix socket. Where `clients` is given, whoever calls must
    bring a certificate of that authority.
    """

    def __init__(self, place: Path, certificate: Path, clients: Path | None = None) -> None:
        self._place = str(place)
        self._context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self._context.load_cert_chain(certificate)
        if clients is not None:
            self._context.verify_mode = ssl.CERT_REQUIRED
            self._context.load_verify_locations(clients)
        self._held = ExitStack()
        self._ended = threading.Event()

    def __enter__(self) -> Self:
        self._door = self._held.enter_context(socket.create_server((ADDRESS, 0)))
        self.port: int = self._door.getsockname()[1]
        threading.Thread(target=self._serve, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._door.shutdown(socket.SHUT_RDWR)
        self._held.close()

    def _serve(self) -> None:
        while not self._ended.is_set():
            with suppress(OSError):
                caller, _ = self._door.accept()
                threading.Thread(target=self._answer, args=(caller,), daemon=True).start()

    def _answer(self, caller: socket.socket) -> None:
        caller.settimeout(FAR_S)
        with suppress(OSError), ExitStack() as held:
            safe = held.enter_context(
                self._context.wrap_socket(caller, server_side=True, do_handshake_on_connect=False)
            )
            try:
                safe.do_handshake()
            except ssl.SSLError:
                # Whoever is refused shall hear why: to close at once, unread words before us, would
                # take the reason back.
                safe.shutdown(socket.SHUT_WR)
                while safe.recv(PIECE):
                    pass
                return
            behind = held.enter_context(socket.socket(socket.AF_UNIX))
            behind.connect(self._place)
            other = {safe: behind, behind: safe}
            while True:
                for source in select.select([*other], [], [])[0]:
                    said = source.recv(PIECE)
                    if not said:
                        return
                    other[source].sendall(said)
                while safe.pending():  # deciphered already, so the socket has nothing to show
                    behind.sendall(safe.recv(PIECE))


@cache
def redis_speaks_tls() -> bool:
    """Whether the redis-server of the tests was built with TLS. One with it misses a certificate."""
    said = subprocess.run(
        [find_server(), "--port", "0", "--tls-port", "1"],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
        timeout=30,
    ).stdout
    assert ("Failed to configure TLS" in said) != ("Bad directive" in said), said
    return "Failed to configure TLS" in said
