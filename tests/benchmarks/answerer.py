"""A provider over HTTP that takes every text at once and keeps connections open.

    python -m tests.benchmarks.answerer

It prints the port it listens on, on loopback, and ends with its standard input.
"""

from __future__ import annotations

import asyncio
import re
import sys

_LENGTH = re.compile(rb"\r\ncontent-length: *(\d+)\r\n", re.IGNORECASE)
REFERENCE = "m-0123456789"
_BODY = b'{"id": "%s"}' % REFERENCE.encode()
ANSWER = (
    b"HTTP/1.1 202 Accepted\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n%s"
    % (len(_BODY), _BODY)
)


class Provider(asyncio.Protocol):
    """One connection: each whole request gets the same answer."""

    def __init__(self) -> None:
        self._read = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep hold of the connection."""
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        """Answer the requests that are there in full."""
        self._read += data
        while (end := self._read.find(b"\r\n\r\n")) >= 0:
            length = _LENGTH.search(self._read, 0, end + 2)
            whole = end + 4 + (int(length[1]) if length else 0)
            if len(self._read) < whole:
                return
            self._read = self._read[whole:]
            self._transport.write(ANSWER)


async def main() -> None:
    """Serve until standard input ends."""
    loop = asyncio.get_running_loop()
    server = await loop.create_server(Provider, "127.0.0.1", 0)
    sys.stdout.write(f"{server.sockets[0].getsockname()[1]}\n")
    sys.stdout.flush()
    await loop.run_in_executor(None, sys.stdin.read)


if __name__ == "__main__":
    asyncio.run(main())
