"""Headers that every answer of the web app has, whatever gave it.

They are put in where the answer leaves the app, so that no page, no error and no route to come
can be without them. What a blueprint has set itself stays: the pages' own policies allow a style
sheet, and a style sheet may be kept. (The names and what they do: the OWASP Secure Headers
Project, and MDN for each; from memory.)
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable
    from wsgiref.types import StartResponse, WSGIApplication, WSGIEnvironment

ALWAYS = (
    # What is no page of ours loads nothing, runs nothing and stands in no other page's frame.
    ("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'; base-uri 'none'"),
    ("X-Content-Type-Options", "nosniff"),
    ("X-Frame-Options", "DENY"),
    ("Referrer-Policy", "no-referrer"),
    ("Permissions-Policy", "camera=(), geolocation=(), microphone=(), payment=(), usb=()"),
    ("Cross-Origin-Opener-Policy", "same-origin"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    # Nearly everything here is about somebody.
    ("Cache-Control", "no-store"),
)

HTTPS = ("Strict-Transport-Security", "max-age=31536000; includeSubDomains")
"""For a year, by https alone. Said only by https, as plain http is for trying on one machine."""


def sealed(app: WSGIApplication) -> WSGIApplication:
    """Wrap a WSGI app so that each of its answers has the headers it lacks."""
    lowered = tuple((name.lower(), (name, value)) for name, value in ALWAYS)

    def seal(environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        secure = environ.get("wsgi.url_scheme") == "https"

        def start(status: str, headers: list[tuple[str, str]], *more: object) -> object:
            given = {name.lower() for name, _ in headers}
            headers += [header for name, header in lowered if name not in given]
            if secure:
                headers.append(HTTPS)
            return start_response(status, headers, *more)  # type: ignore[arg-type]

        return app(environ, start)  # type: ignore[arg-type]

    return seal
