"""A gateway that never rests: posts what it is given to a webhook and prints the seconds taken.

    python -m tests.benchmarks.load SOCKET < bodies

Each line is one body. A few requests are always on their way, so that the server is never
idle; they are served in the order sent, as its one worker takes them as they come.
"""

from __future__ import annotations

import socket
import sys
from collections import deque
from time import perf_counter

IN_FLIGHT = 4
TIMEOUT_S = 10.0


def main() -> None:
    """Post every line of standard input to the unix socket named."""
    path, bodies = sys.argv[1], sys.stdin.buffer.read().splitlines()
    flying: deque[socket.socket] = deque()
    began = perf_counter()
    for body in bodies:
        flying.append(_posted(path, body))
        if len(flying) == IN_FLIGHT:
            _answered(flying.popleft())
    while flying:
        _answered(flying.popleft())
    sys.stdout.write(f"{perf_counter() - began}\n")


def _posted(path: str, body: bytes) -> socket.socket:
    connection = socket.socket(socket.AF_UNIX)
    connection.settimeout(TIMEOUT_S)
    connection.connect(path)
    connection.sendall(
        b"POST /hooks/ussd HTTP/1.1\r\nHost: gateway\r\nConnection: close\r\n"
        b"Content-Type: application/json\r\nContent-Length: %d\r\n\r\n%s" % (len(body), body)
    )
    return connection


def _answered(connection: socket.socket) -> None:
    answer = b""
    while part := connection.recv(65536):
        answer += part
    connection.close()
    if not answer.startswith(b"HTTP/1.1 200 "):
        raise SystemExit(f"the webhook answered {answer[:200]!r}")


if __name__ == "__main__":
    main()
