"""A language's texts as the phone shows them, hard ones first; also from a file just uploaded.

A translator uploads a `.po` and sees the same pages made from it. Nothing is kept: the file
travels in the page's form, until a reviewer accepts it with the key. Only then is it written, to
`locales/<language>/messages.po`, which growers get once the server is started again.
"""

from __future__ import annotations

import hmac
import logging
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

from flask import abort, render_template, request
from limits import RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter

from bot import data
from bot.dialogue.auditing import lacking
from bot.dialogue.messages import messages
from bot.dialogue.showing import MOST_SCREENS, written
from bot.dialogue.voice import Contacts, Voice
from bot.web.uploads import Refused, accept, carried, read_form, read_upload, sent_po
from bot.wording.catalogue import read_messages
from bot.wording.gsm import Encoding, Size, allowed_segments, measure, room, split
from bot.wording.languages import SOURCE, Language
from bot.wording.screens import SCREEN_LIMIT, UCS2_SCREEN_LIMIT
from bot.wording.screens import pages as screens_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from flask import Blueprint

    from bot.dialogue.loading import Flows
    from bot.dialogue.turn import Dialogue
    from bot.settings import Settings

log = logging.getLogger(__name__)

TEXTS_A_PAGE = 16
"""Texts on one page, so that it stays light on a slow line."""

WRONG_KEYS = RateLimitItemPerMinute(5, 10)
"""Wrong reviewer's keys taken from one address, in one process: 5 in 10 minutes."""

CHOICES = ("all", "over", "missing", "changed")
"""Which texts the list can show."""

# What a text looks like on a phone


def screen_room(text: str) -> int:
    """Give the units a USSD screen of this text's letters holds."""
    ucs2 = measure(text).encoding is Encoding.UCS2
    return UCS2_SCREEN_LIMIT if ucs2 else SCREEN_LIMIT


@dataclass(frozen=True, slots=True)
class Shown:
    """One text: as it stands on the phone, cut into SMS and into USSD screens."""

    text: str
    size: Size
    parts: list[str]
    screens: tuple[str, ...]
    allowed: int
    """Segments it may take: its budget, or what the same text needs in UCS-2."""
    room: int
    """Units (septets, or UTF-16 code units) that those segments hold."""

    @property
    def left(self) -> int:
        """Units left of the budget; negative where it is over."""
        return self.room - self.size.units


@dataclass(frozen=True, slots=True)
class Entry:
    """One place in the conversation: its text or texts, the English, and what it lacks."""

    context: str
    note: str
    texts: tuple[Shown, ...]
    english: tuple[str, ...]
    asked: bool
    safety: bool
    missing: tuple[str, ...] = ()
    fuzzy: tuple[str, ...] = ()
    changed: bool = False

    @property
    def hardest(self) -> Shown:
        """The text that takes the largest share of its budget."""
        return max(self.texts, key=_share)

    @property
    def over(self) -> bool:
        """Whether a text needs more segments, or a question more screens, than it may."""
        return any(
            each.size.segments > each.allowed or (self.asked and len(each.screens) > MOST_SCREENS)
            for each in self.texts
        )

    def fits(self, show: str) -> bool:
        """Whether the entry belongs to a choice of the page: all, missing, changed or over."""
        chosen = {
            "missing": bool(self.missing or self.fuzzy),
            "changed": self.changed,
            "over": self.over,
        }
        return chosen.get(show, True)


def _share(shown: Shown) -> float:
    return shown.size.units / shown.room


def _shown(text: str, budget: int, more: str) -> Shown:
    size = measure(text)
    allowed = allowed_segments(budget, size.encoding)
    return Shown(
        text, size, split(text), screens_of(text, more), allowed, room(allowed, size.encoding)
    )


# Every text of a language


def entries(
    flows: Flows, voice: Voice, english: Mapping[str, tuple[str, ...]], po: bytes
) -> list[Entry]:
    """List every text of a language, the hardest to fit first; `po` tells which are fuzzy."""
    fuzzy = fuzzy_contexts(po)
    known = {each.context: each.source for each in messages(flows)}
    more = voice.say("more")
    found = []
    for each in written(flows, voice):
        lacking = [name for name in each.made_of if not voice.worded(known[name], name)]
        found.append(
            Entry(
                context=each.message.context,
                note=each.message.note,
                texts=tuple(_shown(text, each.budget, more) for text in each.texts),
                english=english.get(each.message.context, ()),
                asked=each.asked,
                safety=each.message.safety,
                missing=tuple(name for name in lacking if name not in fuzzy),
                fuzzy=tuple(name for name in lacking if name in fuzzy),
            )
        )
    # Texts of the same share stay in the order of the flows.
    return sorted(found, key=lambda entry: (not entry.over, -_share(entry.hardest)))


def fuzzy_contexts(po: bytes) -> frozenset[str]:
    """List the texts whose translation is marked fuzzy: a guess, and so not used."""
    if not po:
        return frozenset()
    return frozenset(str(each.context) for each in read_messages(po) if each.id and each.fuzzy)


# The pages


def add_pages(pages: Blueprint, dialogue: Dialogue, settings: Settings) -> None:
    """Add the pages of a language's texts to the blueprint."""
    reader = _Reader(dialogue, settings)
    accepting = bool(settings.reviewer_key and settings.locales)
    guesses = MovingWindowRateLimiter(MemoryStorage())

    @pages.route("/words/<lang>", methods=["GET", "POST"])
    def words(lang: str) -> str | tuple[str, int]:
        """List the texts of a language, from the server's file or from the one in the form."""
        return _show(reader, lang, "", accepting=accepting)

    @pages.route("/words/<lang>/<path:context>", methods=["GET", "POST"])
    def word(lang: str, context: str) -> str | tuple[str, int]:
        """Show one text alone, with the way to its neighbours."""
        return _show(reader, lang, context, accepting=accepting)

    @pages.post("/accept/<lang>")
    def accepted(lang: str) -> str | tuple[str, int]:
        """Write a file that a reviewer accepts."""
        reader.known(lang)
        form = read_form()
        if isinstance(form, Refused):
            return _answer(lang, form.reason, 413)
        if not accepting or settings.locales is None or lang == SOURCE:
            return _answer(lang, "Accepting is off on this server; nothing was written.", 403)
        # Behind a proxy this is the proxy's address, and all its reviewers wait together.
        address = request.remote_addr or ""
        kept = form[0].get("carried", "")
        if not guesses.test(WRONG_KEYS, address):
            reason = "Too many wrong keys came from your address; nothing was written. "
            return _answer(lang, reason + "Wait ten minutes, then try again.", 429, kept)
        key = form[0].get("key", "").encode(errors="replace")
        if not hmac.compare_digest(key, settings.reviewer_key.encode()):
            guesses.hit(WRONG_KEYS, address)
            log.warning("a translation of %s came with a wrong reviewer's key", lang)
            reason = "That is not the reviewer's key; nothing was written."
            return _answer(lang, reason, 403, kept)
        po = sent_po(*form)
        read = reader.uploaded(lang, po)
        if isinstance(read, Refused):
            return _answer(lang, f"{read.reason} Nothing was written.", 400)
        file = settings.locales / lang / "messages.po"
        try:
            accept(po, file)
        except OSError as error:
            log.exception("an accepted translation could not be written")
            return _answer(lang, f"Nothing was written: {error.strerror}.", 500)
        log.info("an accepted translation was written: %s, %d bytes", file, len(po))
        said = f"Accepted: {len(po)} bytes were written to {lang}/messages.po. "
        if read.lacking:
            said += _not_offered(reader.names[lang], read.lacking)
        elif lang not in settings.offered:
            said += (
                f"{reader.names[lang]} is not among the languages that the setting `languages` "
                "offers growers."
            )
        else:
            said += "Growers get these texts once the server is restarted."
        return _answer(lang, said, 200)


def _not_offered(name: str, lacking: list[str]) -> str:
    """Say what keeps a language from growers."""
    return (
        f"Growers are not offered {name} with these texts. Translate with all their values, or "
        f"shorten, first: {', '.join(lacking)}."
    )


@dataclass(frozen=True, slots=True)
class Seen:
    """The texts of a language, and the names of those that keep it from growers."""

    entries: list[Entry]
    lacking: list[str]


class _Reader:
    """The languages and their entries; those of the server's own texts are worked out once.

    A language that growers are not offered yet has its pages too: its translators need them.
    Files are read when the server starts, as the conversation's own are: the pages show what
    growers get.
    """

    def __init__(self, dialogue: Dialogue, settings: Settings) -> None:
        self.languages = data.languages(settings.locales)
        self.names = {code: each.words.language for code, each in self.languages.items()}
        self.offered = dialogue.voice(SOURCE).offered
        self._dialogue = dialogue
        self._contacts = Contacts(settings.help_number, settings.poison_number)
        self._folded = settings.folded
        folder = settings.locales or data.folder("locales")
        files = {code: folder.joinpath(code, "messages.po") for code in self.languages}
        self._po = {code: file.read_bytes() for code, file in files.items() if file.is_file()}
        self.own = cache(self._own)
        self._english = cache(self._in_english)

    def known(self, lang: str) -> Language:
        """The language of a page's address; any that there is none of has no page."""
        if lang not in self.languages:
            abort(404)
        return self.languages[lang]

    def flows(self, lang: str) -> Flows:
        """The flows as growers of a language meet them."""
        return self._spoken(lang).flows

    def uploaded(self, lang: str, po: bytes) -> Seen | Refused:
        """The texts from a file, each marked where it differs from the server's."""
        catalogue = read_upload(po, lang, self.flows(lang))
        if isinstance(catalogue, Refused):
            return catalogue
        try:
            seen = self._seen(replace(self.languages[lang], catalogue=catalogue), po)
        except ValueError as error:
            # Such as a "more" so long that it leaves no room on a screen.
            return Refused(f"The texts cannot be shown: {error}.")
        before = {each.context: each.texts for each in self.own(lang).entries}
        marked = [
            replace(each, changed=before.get(each.context) != each.texts) for each in seen.entries
        ]
        return replace(seen, entries=marked)

    def _spoken(self, lang: str) -> Dialogue:
        return self._dialogue.own.get(lang, self._dialogue)

    def _voice(self, language: Language) -> Voice:
        code = language.code
        offered = {**self.offered, code: self.names[code]}
        return Voice(
            language, self.flows(code), self._contacts, offered, folded=code in self._folded
        )

    def _own(self, lang: str) -> Seen:
        return self._seen(self.languages[lang], self._po.get(lang, b""))

    def _seen(self, language: Language, po: bytes) -> Seen:
        flows, voice = self.flows(language.code), self._voice(language)
        found = entries(flows, voice, self._english(language.code), po)
        return Seen(found, lacking(flows, language, voice))

    def _in_english(self, lang: str) -> dict[str, tuple[str, ...]]:
        spoken = self._spoken(lang)
        texts = written(spoken.flows, spoken.voices[SOURCE])
        return {each.message.context: each.texts for each in texts}


def _show(reader: _Reader, lang: str, context: str, *, accepting: bool) -> str | tuple[str, int]:
    """Show the list, or one text; from the file in the form where there is one that can be read."""
    language = reader.known(lang)
    seen, po, notice, status = reader.own(lang), b"", "", 200
    name = context.partition("=")[0]  # an answer to choose is shown under its question
    if context and not any(each.context == name for each in seen.entries):
        abort(404)
    if request.method == "POST":
        form = read_form()
        if isinstance(form, Refused):
            notice, status = form.reason, 413
        elif lang == SOURCE:
            notice, status = "The English stands in the flow files; it has no .po to try.", 400
        else:
            sent = sent_po(*form)
            read = reader.uploaded(lang, sent)
            if isinstance(read, Refused):
                notice, status = read.reason, 400
            else:
                po, seen = sent, read
    found = seen.entries
    show = request.args.get("show", "all")
    listed = [each for each in found if each.fits(show)]
    common = {
        "lang": lang,
        "names": reader.names,
        "offered": lang in reader.offered,
        "draft": language.draft,
        "source": SOURCE,
        "notice": notice,
        "unsafe": _not_offered(reader.names[lang], seen.lacking) if seen.lacking else "",
        "carried": carried(po) if po else "",
        "accepting": accepting,
        "most_screens": MOST_SCREENS,
        "room": screen_room,
        "show": show if show in CHOICES else "all",
        "measure": measure,
    }
    if context and not notice:
        place = next(n for n, each in enumerate(found) if each.context == name)
        return render_template(
            "try_word.html",
            **common,
            entry=found[place],
            place=place + 1,
            total=len(found),
            before=found[place - 1].context if place else "",
            after=found[place + 1].context if place + 1 < len(found) else "",
        )
    last = max(1, -(-len(listed) // TEXTS_A_PAGE))
    page = min(max(request.args.get("page", 1, type=int), 1), last)
    counts = {choice: sum(each.fits(choice) for each in found) for choice in CHOICES}
    body = render_template(
        "try_words.html",
        **common,
        entries=listed[(page - 1) * TEXTS_A_PAGE : page * TEXTS_A_PAGE],
        counts=counts,
        page=page,
        last=last,
    )
    return body, status


def _answer(lang: str, said: str, status: int, kept: str = "") -> tuple[str, int]:
    """Say what became of a file; `kept` carries it back to where the key can be given again."""
    return render_template("try_accepted.html", lang=lang, said=said, carried=kept), status
