"""From a profile to the gateway it describes: HTTP, SMPP, or a modem."""

from __future__ import annotations

import logging
import threading
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

import msgspec
from msgspec import Struct

from bot.gateways.http import HttpGateway
from bot.gateways.profiles import ProfileError, kept_apart
from bot.gateways.routing import WAITING, Route, Router, sole
from bot.settings import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from bot.gateways.base import Gateway
    from bot.gateways.modem import ModemGateway
    from bot.gateways.profiles import Profile
    from bot.gateways.reading import Incoming, Report
    from bot.gateways.smpp import SmppLink

log = logging.getLogger(__name__)

POLL_S = 2.0
"""How often a modem's inbox is looked into, in seconds."""


class Receives(Protocol):
    """Who takes what arrives. Each raises where it cannot be taken now, and it comes again."""

    def text(self, number: str, text: str, message_id: str | None) -> None:
        """Take a text."""
        ...

    def reports(self, told: Sequence[Report]) -> None:
        """Take reports on texts that were sent, those that came together."""
        ...

    def step(self, session: str, number: str, text: str) -> tuple[str, bool]:
        """Answer a step of a USSD session: the screen, and whether the session goes on."""
        ...


class ModemSection(Struct, frozen=True, forbid_unknown_fields=True):
    """The `[modem]` of a profile: the folder its files are in, and the device it is."""

    folder: str
    port: str = "/dev/ttyUSB0"
    timeout_s: float = 60.0


def smpp_link(profile: Profile) -> SmppLink | None:
    """Read the `[smpp]` of a profile; None if it has none. Raises ProfileError."""
    if profile.smpp is None:
        return None
    from bot.gateways.smpp import SmppLink  # noqa: PLC0415 - as in `opened`

    return _section(profile.smpp, SmppLink, "smpp")


def modem_section(profile: Profile) -> ModemSection | None:
    """Read the `[modem]` of a profile; None if it has none. Raises ProfileError."""
    return None if profile.modem is None else _section(profile.modem, ModemSection, "modem")


@contextmanager
def opened_all(
    profiles: Mapping[str, Profile], receiver: Receives, country: str
) -> Iterator[Gateway]:
    """Open the gateways of profiles, by their names in the order of preference, as one.

    Ids of texts that arrive, and the references in reports, are each gateway's own, so they are
    kept apart by its name; see `kept_apart`. Raises ProfileError.
    """
    with ExitStack() as stack:
        routes = []
        for name, profile in profiles.items():
            gateway = stack.enter_context(
                opened(profile, heard_by(receiver, name, profiles), country)
            )
            routes.append(
                Route(name, gateway, tuple(profile.prefixes), profile.rate, profile.at_once)
            )
        yield alone if (alone := sole(routes)) else Router(routes)


def hands(profiles: Mapping[str, Profile]) -> int:
    """Return how many texts a sender should have in hand at once.

    That is as many as the gateways take, and where there are several some more, that one whose
    turns are long in coming does not keep texts from the others.
    """
    return sum(each.at_once for each in profiles.values()) + (len(profiles) > 1) * WAITING


def heard_by(receiver: Receives, name: str, profiles: Mapping[str, Profile]) -> Receives:
    """Return who takes what arrives by one of several gateways, and passes it on."""
    return _Heard(receiver, name if len(profiles) > 1 else "", kept_apart(name, profiles))


@dataclass(frozen=True, slots=True)
class _Heard:
    """Passes on what arrives by one of several gateways, with ids that no other has."""

    receiver: Receives
    gateway: str
    before_ids: str

    def text(self, number: str, text: str, message_id: str | None) -> None:
        """Pass on a text."""
        self.receiver.text(number, text, message_id and f"{self.before_ids}{message_id}")

    def reports(self, told: Sequence[Report]) -> None:
        """Pass on reports."""
        self.receiver.reports([replace(each, gateway=self.gateway) for each in told])

    def step(self, session: str, number: str, text: str) -> tuple[str, bool]:
        """Pass on a USSD step."""
        return self.receiver.step(session, number, text)


@contextmanager
def opened(profile: Profile, receiver: Receives, country: str) -> Iterator[Gateway]:
    """Open the gateway of a profile for as long as the `with` lasts.

    What arrives by it goes to `receiver`, in threads of the gateway's; by HTTP nothing does, as
    the web app takes that. `country` (ISO 3166) is for numbers without their country code.
    Raises ProfileError where the profile cannot be used.
    """
    if link := smpp_link(profile):
        # Imported only where they are wanted: most operators have neither.
        from bot.gateways.smpp import SmppGateway  # noqa: PLC0415

        step = receiver.step if link.ussd else None
        gateway = SmppGateway(link, receiver.text, receiver.reports, step)
        gateway.start()
        try:
            yield gateway
        finally:
            gateway.close()
    elif section := modem_section(profile):
        from bot.gateways.modem import Modem, ModemError, ModemGateway  # noqa: PLC0415

        try:
            modem = ModemGateway(
                Modem(Path(section.folder), country, section.port, section.timeout_s)
            )
        except ModemError as error:
            raise ProfileError(str(error)) from error
        with _polled(modem, receiver):
            yield modem
    else:
        yield HttpGateway(profile)


@contextmanager
def _polled(modem: ModemGateway, receiver: Receives) -> Iterator[None]:
    """Take what arrives by a modem, in a thread of its own."""
    stop = threading.Event()

    def heard(text: Incoming) -> bool:
        receiver.text(text.number, text.text, text.id)
        return True

    def reported(report: Report) -> bool:
        receiver.reports([report])
        return True

    def poll() -> None:
        while not stop.is_set():
            try:
                modem.poll(heard, reported)
            except OSError as error:
                log.warning("the modem's folder cannot be read: %s", error)
            stop.wait(POLL_S)

    thread = threading.Thread(target=poll, name="modem")
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


Section = TypeVar("Section", bound=Struct)


def _section(values: Mapping[str, Any], kind: type[Section], name: str) -> Section:
    for key in values:
        if key not in kind.__struct_fields__:
            hint = nearest(key, kind.__struct_fields__)
            raise ProfileError(f"the profile's [{name}] has an unknown key {key!r}; {hint}")
    try:
        return msgspec.convert(values, kind)
    except msgspec.ValidationError as error:
        raise ProfileError(f"the profile's [{name}]: {error}") from error
