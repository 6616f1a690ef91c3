"""A language looked over for its translator: what is done, what is wrong, what it costs.

Pure: files come in as bytes and text, findings go out as records; `fieldbell words` and the
pages that show a translation print them. Every finding says what to do.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from io import BytesIO
from itertools import groupby
from typing import TYPE_CHECKING, Literal

from babel.messages.pofile import write_po

from bot.dialogue.costing import SeasonCost, season_cost
from bot.dialogue.messages import messages, sentence_context
from bot.dialogue.showing import LONGEST_MORE, MOST_SCREENS, lost, more_fits, shown
from bot.dialogue.telling_apart import told_apart
from bot.dialogue.voice import Contacts, Voice
from bot.wording.catalogue import Catalogue, forms_of
from bot.wording.folding import fold
from bot.wording.formats import placeholders
from bot.wording.gsm import measure, outside_gsm, room
from bot.wording.languages import SOURCE, Language
from bot.wording.plurals import (
    COUNTS,
    categories,
    category,
    counts_by_form,
    plural_forms,
    plurals_agree,
)
from bot.wording.translating import Note, read_translations, slips
from bot.wording.words import Words

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from babel.messages.catalog import Catalog

    from bot.agronomy.district import Wording
    from bot.dialogue.loading import Flows
    from bot.dialogue.messages import Message

__all__ = ["Coverage", "Note", "SeasonCost", "audit", "lacking", "season_cost", "status"]


# How far it is


@dataclass(frozen=True, slots=True)
class Coverage:
    """How much of one part (a flow, "sentences", "safety" ...) is translated."""

    part: str
    texts: int
    translated: int
    fuzzy: int
    missing: int


SAFETY = "safety"
"""The part that counts the safety texts of all flows; the other parts leave them out."""


def status(flows: Flows, po_bytes: bytes, code: str) -> list[Coverage]:
    """Count each part of a translator's file, safety texts apart and first.

    Raises ValueError, saying where, for a file that cannot be read.
    """
    found = _entries(flows, read_translations(po_bytes, code), code)
    texts = sorted(messages(flows), key=_part)
    return sorted(
        (_count(part, list(each), found) for part, each in groupby(texts, _part)),
        key=lambda each: (each.part != SAFETY, each.part),
    )


def _part(message: Message) -> str:
    return SAFETY if message.safety else message.context.partition(".")[0]


def _count(part: str, texts: Sequence[Message], found: Mapping[_Key, _Entry]) -> Coverage:
    states = Counter(_state(found.get((each.context, each.msgid))) for each in texts)
    return Coverage(part, len(texts), states["translated"], states["fuzzy"], states["missing"])


_Key = tuple[str, str]


@dataclass(frozen=True, slots=True)
class _Form:
    """One form of a translation; `counts` that take it, none for a text that counts nothing."""

    text: str
    counts: tuple[int, ...] = ()

    @property
    def named(self) -> str:
        """What a finding calls it."""
        if not self.counts:
            return ""
        some = ", ".join(map(str, self.counts[:3]))
        return f" in the form for {some}{' ...' if len(self.counts) > len(self.counts[:3]) else ''}"


@dataclass(frozen=True, slots=True)
class _Entry:
    forms: tuple[_Form, ...]
    fuzzy: bool = False

    @property
    def whole(self) -> bool:
        """Whether every form is there."""
        return all(each.text for each in self.forms)


def _entries(flows: Flows, catalogue: Catalog, code: str) -> dict[_Key, _Entry]:
    """List the file's entries by name and English, the district's own wording over them."""
    counts = counts_by_form(catalogue.plural_forms, code)
    found = {}
    for each in catalogue:
        texts = forms_of(each.string)
        if each.id:
            forms = zip(texts, counts, strict=False) if each.pluralizable else ((texts[0], ()),)
            found[each.context or "", forms_of(each.id)[0]] = _Entry(
                tuple(_Form(*form) for form in forms), each.fuzzy
            )
    own = flows.district.texts.get(code, {})
    worded = {
        (each.context, each.msgid): _Entry(_worded(own[each.context], each, code))
        for each in messages(flows)
        if each.context in own
    }
    return found | worded


def _worded(wording: Wording, message: Message, code: str) -> tuple[_Form, ...]:
    """List the forms of a district's own wording."""
    if isinstance(wording, str):
        return (_Form(wording, tuple(COUNTS) if message.count else ()),)
    by_name = {
        name: tuple(each for each in COUNTS if category(each, code) == name)
        for name in categories(code)
    }
    return tuple(_Form(wording.get(name, ""), counts) for name, counts in by_name.items())


def _state(entry: _Entry | None) -> Literal["translated", "fuzzy", "missing"]:
    if entry is None or not entry.whole:
        return "missing"
    return "fuzzy" if entry.fuzzy else "translated"


def lacking(flows: Flows, language: Language, voice: Voice) -> list[str]:
    """Name what keeps a language from growers, who get it only if there is nothing.

    That is a safety text that is not translated, loses a value or does not fit; and the line
    that ends a USSD screen where it leaves no room for any text.
    """
    absent = [
        each.context
        for each in messages(flows)
        if each.safety
        and not (
            (language.code == SOURCE or voice.worded(each.source, each.context))
            and not lost(each, voice)
        )
    ]
    long = [each.context for each in shown(flows, voice) if each.safety and each.over]
    unpaged = [] if more_fits(voice) else [sentence_context("more")]
    return list(dict.fromkeys([*absent, *long, *unpaged]))


# What is wrong with it


def audit(
    flows: Flows, po_bytes: bytes, words_text: str, code: str, others: Mapping[str, Language]
) -> list[Note]:
    """Look over one language's two files, beside the other languages on offer."""
    notes = []
    try:
        words = Words.read(words_text)
    except ValueError as error:
        what, _, remedy = str(error).rpartition("; ")
        notes.append(Note("words.yaml", what or remedy, remedy))
        words = None
    try:
        catalogue = read_translations(po_bytes, code)
    except ValueError as error:
        what, _, remedy = str(error).rpartition("; ")
        return [*notes, Note("messages.po", what, remedy)]
    if not plurals_agree(catalogue.plural_forms, code):
        header = plural_forms(code)
        notes.append(
            Note(
                "messages.po",
                f"its plural rule is {catalogue.plural_forms!r}, CLDR's for {code} is another",
                f"set the header Plural-Forms to {header!r}",
            )
        )
    found = _entries(flows, catalogue, code)
    notes += _texts(flows, found)
    if words is None:
        return notes
    language = Language(code, words, _usable(catalogue, code))
    offered = {each.code: each.words.language for each in (*others.values(), language)}
    voice = Voice(language, flows, Contacts(), offered)
    rivals = {
        each: Voice(other, flows, Contacts(), offered)
        for each, other in others.items()
        if each != code
    }
    notes += _too_long(flows, voice)
    notes += _dear_letters(flows, found)
    notes += told_apart(flows, voice, words_text, others, rivals)
    return notes


def _texts(flows: Flows, found: Mapping[_Key, _Entry]) -> Iterator[Note]:
    for message in messages(flows):
        entry = found.get((message.context, message.msgid))
        kind: Literal["error", "warning"] = "error" if message.safety else "warning"
        named = "safety text" if message.safety else "text"
        if entry is None:
            what = f"this {named} is not in the file: {message.text!r}"
            yield Note(
                message.context, what, "run `fieldbell words update`, then translate it", kind
            )
        elif not entry.whole:
            lacking = next(each for each in entry.forms if not each.text)
            what = f"this {named} is not translated{lacking.named}: {message.text!r}"
            yield Note(message.context, what, "translate it", kind)
        elif entry.fuzzy:
            what = f"this {named} is marked fuzzy, so growers get the English"
            remedy = "compare it with the English, mend it, take the mark off"
            yield Note(message.context, what, remedy, kind)
        else:
            for form in entry.forms:
                english, spare = message.text, ""
                if len(form.counts) == 1:
                    spare = message.count
                    english = message.one if form.counts == (1,) else message.text
                yield from slips(message.context + form.named, english, form.text, spare)


def _usable(catalogue: Catalog, code: str) -> Catalogue:
    """Take the translations that can be shown; the others come out in English, as for growers."""
    for message in catalogue:
        if not message.id:
            continue
        try:
            known, used = (
                frozenset[str]().union(*map(placeholders, forms_of(each)))
                for each in (message.id, message.string)
            )
        except ValueError:
            known, used = frozenset(), frozenset({""})
        if used - known:
            message.string = (
                tuple("" for _ in forms_of(message.string)) if message.pluralizable else ""
            )
    if not plurals_agree(catalogue.plural_forms, code):
        catalogue.mime_headers = [("Plural-Forms", plural_forms(code))]
    written = BytesIO()
    write_po(written, catalogue)
    return Catalogue.read(written.getvalue())


def _too_long(flows: Flows, voice: Voice) -> Iterator[Note]:
    if not more_fits(voice):
        yield Note(
            sentence_context("more"),
            "it ends every USSD screen but the last, and leaves no room for the text",
            f"shorten it to {LONGEST_MORE} characters or less",
        )
    for each in shown(flows, voice):
        size = measure(each.text)
        if each.over:
            most = room(each.allowed, size.encoding)
            yield Note(
                each.context,
                f"{size.segments} SMS of {size.encoding.value}, but at most {each.allowed}, with "
                f"the longest values in it: {each.text!r}",
                f"shorten it by {max(size.units - most, 1)} characters or more",
            )
        if each.screens > MOST_SCREENS:
            yield Note(
                each.context,
                f"{each.screens} USSD screens, but at most {MOST_SCREENS}: {each.text!r}",
                "shorten the question or its answers",
            )


def _dear_letters(flows: Flows, found: Mapping[_Key, _Entry]) -> Iterator[Note]:
    """Name each letter outside GSM 7-bit once, with the texts it makes dearer."""
    places: dict[str, list[str]] = {}
    for message in messages(flows):
        entry = found.get((message.context, message.msgid))
        if entry and not entry.fuzzy:
            for letter in outside_gsm("".join(each.text for each in entry.forms)):
                places.setdefault(letter, []).append(message.context)
    for letter, contexts in places.items():
        near = fold(letter)
        if near == letter:
            remedy = "no letter of the basic set is near it; keep it if the word needs it"
        elif letter.isalpha():
            remedy = f"keep it where the language needs it; {near!r} would be cheaper"
        else:
            remedy = f"write {near!r} instead" if near else "delete it"
        yield Note(
            contexts[0] if len(contexts) == 1 else f"{contexts[0]} and {len(contexts) - 1} more",
            f"{letter!r} is outside the basic set of phones, and leaves a text 70 characters a "
            "message instead of 160",
            remedy,
            "warning",
        )
