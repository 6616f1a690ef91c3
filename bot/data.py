"""Where the flow files and the translations are: in the wheel, or at the top of a checkout."""

from __future__ import annotations

import logging
from functools import lru_cache
from importlib import resources
from typing import TYPE_CHECKING

from bot.dialogue import auditing
from bot.dialogue.loading import read_flows
from bot.dialogue.messages import asks_too_much, messages
from bot.dialogue.slips import FlowError, known
from bot.dialogue.texts import count_of, names
from bot.dialogue.turn import Dialogue
from bot.wording.formats import placeholders
from bot.wording.languages import SOURCE, read_languages
from bot.wording.plurals import categories

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable
    from pathlib import Path

    from bot.agronomy.district import Wording
    from bot.dialogue.loading import Flows
    from bot.dialogue.texts import Text
    from bot.dialogue.voice import Contacts
    from bot.wording.languages import Language


log = logging.getLogger(__name__)

OFFERED = ("en", "sw")
"""Languages offered where nothing else is set."""


def folder(name: str) -> Traversable:
    """Find `flows` or `locales`. Raises FileNotFoundError naming both places looked in."""
    package = resources.files("bot")
    for place in (package / "_data" / name, package / ".." / name):
        if place.is_dir():
            return place
    raise FileNotFoundError(
        f"no folder {name!r} in the package or beside it; install Fieldbell again"
    )


@lru_cache(maxsize=4)  # one in use; tests and `fieldbell figures` look at others
def flows(district: Path | None = None, language: str = "") -> Flows:
    """Read and compile the flow files, once, with a district's own file over them.

    With `language`, as growers of that language meet them, who may have questions of their own.
    Raises FlowError, also when the district's file cannot be read.
    """
    if district is None:
        return read_flows(folder("flows"))
    try:
        own = district.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise FlowError(f"the district's file {district} cannot be read: {error}") from error
    return read_flows(folder("flows"), own, language)


@lru_cache(maxsize=4)
def languages(locales: Path | None = None) -> dict[str, Language]:
    """Read the languages that came with Fieldbell, or those of another folder, once.

    Raises FlowError naming the file at fault.
    """
    try:
        return read_languages(locales or folder("locales"))
    except ValueError as error:
        raise FlowError(f"the languages: {error}") from error


@lru_cache(maxsize=8)  # it is only read; making it looks through every text
def dialogue(  # noqa: PLR0913, PLR0917 - what an operator may set
    contacts: Contacts | None = None,
    district: Path | None = None,
    locales: Path | None = None,
    offered: tuple[str, ...] = OFFERED,
    folded: frozenset[str] = frozenset(),
    most_texts: int = 0,
) -> Dialogue:
    """Make the conversation, with a district's file and another folder of languages if given.

    Growers may choose among the `offered` languages; English is always one, as what is not
    translated is said in it. Raises FlowError, also for a district's wording of a text that there is none of.
    """
    common = flows(district)
    every = languages(locales)
    for name, codes in (("languages", offered), ("fold_letters", folded)):
        for code in codes:
            known(f"the setting {name}", code, every)
    spoken = {code: every[code] for code in dict.fromkeys([*offered, SOURCE])}
    own = {code: flows(district, code) for code in common.district.flows_for}
    for code, language in spoken.items():
        for message in messages(own.get(code, common)):
            if strange := asks_too_much(message, language.catalogue):
                raise FlowError(
                    f"{code}/messages.po: the translation of {message.context} has "
                    f"{sorted(strange)}, which its English does not; write it anew"
                )
    for code, texts in common.district.texts.items():
        known(f"the district's file, texts of {code}", code, spoken)
        theirs = own.get(code, common)
        contexts = {each.context: each.source for each in messages(theirs)}
        for context, wording in texts.items():
            known(f"the district's file, texts of {code}", context, contexts)
            _check_wording(context, wording, contexts[context], every[code].words.locale)
    for code in own:
        known("the district's file, flows_for", code, spoken)
    made = Dialogue(common, spoken, contacts, own, folded, most_texts)
    if unsafe := [code for code in spoken if lacking(made.own.get(code, made), code)]:
        if SOURCE in unsafe:
            named = ", ".join(lacking(made.own.get(SOURCE, made), SOURCE))
            raise FlowError(
                f"the district's file: the English of {named} is too long or lacks a value; what "
                "is not translated is said in it, so mend it"
            )
        # Nobody is to be told to spray in a language that lacks the cautions.
        log.warning("not offered, for want of safety texts that fit: %s", ", ".join(unsafe))
        spoken = {code: each for code, each in spoken.items() if code not in unsafe}
        made = Dialogue(common, spoken, contacts, own, folded, most_texts)
    return made


def _check_wording(context: str, wording: Wording, text: Text, locale: str) -> None:
    """Refuse a wording of a text that asks for other values, or has not the language's forms."""
    if isinstance(wording, dict):
        wanted = categories(locale)
        if not count_of(text):
            raise FlowError(f"the district's file: {context} counts nothing; give it one wording")
        if set(wording) != set(wanted) or not all(wording.values()):
            raise FlowError(
                f"the district's file: {context} needs one wording, or one each for "
                f"{', '.join(wanted)}, the forms of {locale}"
            )
    for said in wording.values() if isinstance(wording, dict) else (wording,):
        try:
            strange = placeholders(said) - names(text)
        except ValueError as error:
            raise FlowError(f"the district's file: {context}: {error}") from error
        if strange:
            raise FlowError(f"the district's file: {context} asks for a value it never gets")


def lacking(dialogue: Dialogue, code: str) -> list[str]:
    """Name the safety texts that keep a language from growers."""
    language = dialogue.languages[code]
    return auditing.lacking(dialogue.flows, language, dialogue.voices[code])
