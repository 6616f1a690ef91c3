"""How an SMPP peer is reached, and what it expects: the operator's to write."""

from __future__ import annotations

import os
import re
import ssl
from typing import TYPE_CHECKING, Annotated, Literal

from msgspec import Meta, Struct, field

from bot.gateways.profiles import ProfileError, secret

if TYPE_CHECKING:
    from collections.abc import Mapping

Octet = Annotated[int, Meta(ge=0, le=255)]
Seconds = Annotated[float, Meta(gt=0)]

LONGEST_ADDRESS = 20
"""Characters of an address (section 4.4.1)."""


class SmppLink(Struct, frozen=True, forbid_unknown_fields=True):
    """One account at one peer. Raises `ValueError` where a value cannot be sent.

    `password` names the environment variable that holds it. `source` is whom texts come from, with its
    type of number (5 where it is a name in letters) and numbering plan; numbers of phones go out
    as 1 and 1, international in E.164 (SMPP v3.4 Issue 1.2, sections 5.2.5 and 5.2.6).
    `alphabet` is what the peer takes data_coding 0 for. `window` is how many texts may wait for
    their answers at once, and `rate` how many parts of texts may leave a second, 0 for as many as the window
    allows. `concatenation` is how a long text goes: in parts with a header, or whole in a
    message_payload. `ussd` is how a step of a session is told, and told back: by
    ussd_service_op, by service_type "USSD", by both, or not at all.

    `hex_ids` is for peers that write a text's id in hexadecimal in their answer and in decimal in
    the receipt. `unreachable_errors` are words of a receipt's `err` that say that no text will
    ever reach the number; each peer has its own.
    """

    host: str
    port: Annotated[int, Meta(ge=1, le=65535)]
    system_id: str
    password: str
    source: str
    source_ton: Octet = 0
    source_npi: Octet = 0
    destination_ton: Octet = 1
    destination_npi: Octet = 1
    system_type: str = ""
    tls: bool = False
    tls_ca: str = ""
    """A file of certificates to trust instead of the system's."""
    alphabet: Literal["gsm7", "latin1"] = "gsm7"
    concatenation: Literal["udh", "payload"] = "udh"
    registered_delivery: Octet = 1
    ussd: Literal["", "op", "service_type", "both"] = ""
    window: Annotated[int, Meta(ge=1, le=1000)] = 10
    rate: Annotated[float, Meta(ge=0)] = 0.0
    enquire_s: Seconds = 30.0
    timeout_s: Seconds = 10.0
    hex_ids: bool = False
    unreachable_errors: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        for name in ("host", "system_id", "password", "source"):
            if not getattr(self, name):
                raise ValueError(f"{name} must not be empty")
        for name in ("system_id", "system_type", "source"):
            if not re.fullmatch(r"[ -~]*", getattr(self, name)):
                raise ValueError(f"{name} {getattr(self, name)!r} has letters outside ASCII")
        if len(self.source) > LONGEST_ADDRESS:
            raise ValueError(f"source {self.source!r} is longer than {LONGEST_ADDRESS} characters")

    def secret(self, environ: Mapping[str, str] = os.environ) -> str:
        """Return the password. Raises `ProfileError` where the environment lacks it."""
        return secret(self.password, environ)

    def tls_context(self) -> ssl.SSLContext | None:
        """Return what TLS needs, or None without it. Raises `ProfileError` for a bad `tls_ca`."""
        if not self.tls:
            return None
        try:
            return ssl.create_default_context(cafile=self.tls_ca or None)
        except (OSError, ssl.SSLError) as error:
            raise ProfileError(f"tls_ca {self.tls_ca} cannot be read: {error.strerror}") from error
