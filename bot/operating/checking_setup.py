"""The doctor's checks of what the operator has set: settings, languages, the gateway."""

from __future__ import annotations

import socket
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from bot.dialogue.proof import prove
from bot.dialogue.slips import FlowError
from bot.gateways.opening import modem_section, smpp_link
from bot.gateways.profiles import ProfileError, read_profiles, secret
from bot.operating.archive import ArchiveError, recipient_of
from bot.operating.findings import Finding, ok, warning, wrong
from bot.reminders.spending import own_gateways

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from bot.gateways.profiles import Profile
    from bot.operating.findings import Patient
    from bot.settings import Settings

PATIENCE_S = 5.0
"""How long the gateway's host may take to answer, in seconds."""

SHORTEST_SECRET = 16
"""Characters of a secret below which it might be guessed."""


def settings(patient: Patient) -> Iterator[Finding]:
    """Look for what is not set and is wanted sooner or later."""
    said = patient.settings
    yield ok("settings", f"read; farm days are those of {said.zone}")
    if not said.redis_url:
        yield warning(
            "settings",
            f"REDIS_URL is not set: an embedded Redis keeps everything in {said.data}",
            "that is for trying and for one small machine; see the operator's page for Debian's",
        )
    pages = said.desk_pages or said.try_pages
    if pages and not said.secret:
        yield warning(
            "settings",
            "FIELDBELL_SECRET is not set, so each web process signs with a secret of its own",
            "set it, or people are signed out at every start and at random where several serve: "
            'python3 -c "import secrets; print(secrets.token_urlsafe(32))" makes one',
        )
    for name in ("secret", "metrics_key", "reviewer_key"):
        if 0 < len(getattr(said, name)) < SHORTEST_SECRET:
            yield wrong(
                "settings",
                f"FIELDBELL_{name.upper()} is so short that it can be guessed",
                f"make one of {SHORTEST_SECRET} characters or more",
            )
    if (said.desk_pages or said.api) and not said.proxies:
        yield warning(
            "settings",
            "the desk or the API is served, and FIELDBELL_PROXIES is 0",
            "let a reverse proxy take https for it and set FIELDBELL_PROXIES to 1, or passwords "
            "and tokens travel readable; leave it where only this machine reaches it",
        )
    numbers = (
        ("help_number", "growers in need are told that the agent will ring"),
        ("poison_number", "the poisoned are sent to the nearest clinic"),
    )
    for name, instead in numbers:
        if not getattr(said, name):
            yield warning(
                "settings",
                f"FIELDBELL_{name.upper()} is not set: {instead}",
                "set it to a number that somebody answers",
            )
    yield from _kept_for(said)
    if unknown := sorted(said.prices.keys() - {*own_gateways(said)}):
        yield warning(
            "settings",
            f"FIELDBELL_GATEWAY_PRICES names {', '.join(unknown)}, and FIELDBELL_GATEWAY does not",
            "correct the name, which is that of the profile's file; leave it for one that was in "
            "use earlier",
        )


def _kept_for(said: Settings) -> Iterator[Finding]:
    if not said.backup_to:
        yield warning(
            "settings",
            "FIELDBELL_BACKUP_TO is not set, so no backup can be encrypted",
            "make a key with `fieldbell backup-key FILE`, keep the file elsewhere, and set what "
            "the command prints",
        )
        return
    try:
        for each in said.backup_to.split(","):
            recipient_of(each.strip())
    except ArchiveError as error:
        yield wrong(
            "settings",
            f"FIELDBELL_BACKUP_TO cannot be used, so no backup is made: {error}",
            "set what `fieldbell backup-key FILE` printed",
        )


def languages(patient: Patient) -> Iterator[Finding]:
    """Prove the flows, and see that every language is offered that was asked for."""
    try:
        dialogue = patient.dialogue
    except FlowError as error:
        yield wrong("languages", str(error), "mend the file it names, then `fieldbell check`")
        return
    held_back = [code for code in patient.settings.offered if code not in dialogue.languages]
    if held_back:
        yield wrong(
            "languages",
            f"not offered, for want of safety texts that fit: {', '.join(held_back)}",
            "`fieldbell words check LANG` names the texts; or take it out of FIELDBELL_LANGUAGES",
        )
    faults = [*prove(dialogue.flows)]
    for own in dialogue.own.values():
        faults += prove(own.flows)
    if faults:
        yield wrong(
            "flows",
            f"{len(faults)} faults, the first: {faults[0]}",
            "`fieldbell check` tells them all; the district's file is the one to mend",
        )
    else:
        yield ok("flows", f"proved; languages: {', '.join(dialogue.languages)}")


def gateway(patient: Patient) -> Iterator[Finding]:
    """Read the profiles, look for their secrets, and reach their hosts. No text is sent."""
    try:
        profiles = read_profiles(patient.settings.gateway)
    except ProfileError as error:
        yield wrong("gateway", str(error), "mend it; `fieldbell gateway check PROFILE` reads one")
        return
    for name, profile in profiles.items():
        yield from _gateway(name, profile, patient.environ)
    taken = {prefix for profile in profiles.values() for prefix in profile.prefixes}
    if all(profile.prefixes for profile in profiles.values()):
        yield warning(
            "gateway",
            f"only numbers that begin with {', '.join(sorted(taken))} have a gateway",
            "leave prefixes out of one profile, if growers may have other numbers",
        )


def _gateway(name: str, profile: Profile, environ: Mapping[str, str]) -> Iterator[Finding]:
    try:
        link, modem = smpp_link(profile), modem_section(profile)
    except ProfileError as error:
        yield wrong("gateway", f"{name}: {error}", "mend the profile")
        return
    wanted = profile.variables()
    if link:
        wanted[link.password] = "the password of the SMPP account"
    for variable, use in wanted.items():
        try:
            secret(variable, environ)
        except ProfileError as error:
            yield wrong(
                "gateway", f"{name}: {use}: {error}", "set it for the web and the senders alike"
            )
    if (profile.sms_in or profile.receipt or profile.ussd) and profile.signed is None:
        yield warning(
            "gateway",
            f"{name}: it asks for no signature, so whoever knows the address can write to it",
            "agree on a token or a signature with the provider ([signed] in the profile), or let "
            "the proxy take /hooks from the provider's addresses only",
        )
    if modem:
        yield _folder(name, modem.folder)
    elif place := _place(profile):
        yield _connected(name, *place)
    else:
        yield warning(
            "gateway",
            f"{name}: it has no way for texts to leave",
            "name a profile with [sms_out], [smpp] or [modem] in FIELDBELL_GATEWAY, or growers "
            "get no reminders",
        )


def _place(profile: Profile) -> tuple[str, int] | None:
    """The host and port that texts leave by; None if by none."""
    if link := smpp_link(profile):
        return link.host, link.port
    if profile.sms_out is None:
        return None
    url = urlsplit(profile.sms_out.url)
    return url.hostname or "", url.port or (443 if url.scheme == "https" else 80)


def _folder(name: str, folder: str) -> Finding:
    if Path(folder).is_dir():
        return ok("gateway", f"{name}: the modem's folder {folder} is there")
    return wrong(
        "gateway",
        f"{name}: the modem's folder {folder} is not there",
        "make it, belonging to whom fieldbell send runs as, and start gammu-smsd with it",
    )


def _connected(name: str, host: str, port: int) -> Finding:
    try:
        with socket.create_connection((host, port), PATIENCE_S):
            return ok("gateway", f"{name}: {host} answers on port {port}; no text was sent")
    except socket.gaierror as error:
        return wrong(
            "gateway",
            f"{name}: the host {host} is not known ({error.strerror})",
            "correct it in the profile, or mend this machine's DNS",
        )
    except OSError as error:
        return wrong(
            "gateway",
            f"{name}: {host} cannot be reached on port {port} ({error})",
            "see the provider's notices, the firewall, and whether this machine's address is one "
            "that the provider lets in",
        )
