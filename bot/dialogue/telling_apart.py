"""Answers a grower cannot tell apart, or that do not do what a text says they do.

Growers answer in words as well as by number, so the words of two answers must differ, none may
stop all texts, and a text that says "send DONE" must name a word that is understood.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import yaml

from bot.dialogue.messages import label_context, messages, sentence_context
from bot.dialogue.quantities import Sizes
from bot.dialogue.readers import Asked, read
from bot.dialogue.showing import FIRST_DAY
from bot.dialogue.slips import OPENING
from bot.dialogue.unread import Unread
from bot.wording.languages import SOURCE
from bot.wording.translating import Note
from bot.wording.words import normal

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from bot.dialogue.loading import Flows, Step
    from bot.dialogue.voice import Voice
    from bot.wording.languages import Language
    from bot.wording.words import Words

Spellings = dict[tuple[str, str], list[str]]
"""Words of a words.yaml by group and meaning: ("answers", "yes")."""


def told_apart(
    flows: Flows,
    voice: Voice,
    words_text: str,
    others: Mapping[str, Language],
    rivals: Mapping[str, Voice],
) -> Iterator[Note]:
    """Look over the answers of one language; `rivals` are the voices of the `others`.

    `words_text` is its words.yaml, known to be readable.
    """
    listed = _spellings(words_text)
    yield from dict.fromkeys(_labels(flows, voice, rivals))  # yes and no stand in many questions
    yield from _named(flows, voice, listed)
    yield from _stopping(flows, voice, listed, rivals)
    yield from _own_words(voice.words, listed, others)


def _spellings(words_text: str) -> Spellings:
    raw = yaml.load(words_text, Loader=yaml.BaseLoader)  # noqa: S506 - builds no objects
    other_words = {
        f"{question}, {answer}": written
        for question, answers in raw.pop("other_words", {}).items()
        for answer, written in answers.items()
    }
    return {
        (group, meaning): list(written)
        for group, meanings in {**raw, "other_words": other_words}.items()
        if isinstance(meanings, dict)
        for meaning, written in meanings.items()
        if not isinstance(written, str)
    }


def _labels(flows: Flows, voice: Voice, rivals: Mapping[str, Voice]) -> Iterator[Note]:
    """Try every answer by its words, as a grower may send them."""
    voices = {**rivals, "": voice}
    for step in flows.steps():
        if step.kind != "ask":
            continue
        options = voice.options(step)
        plain: dict[str, str] = {}
        for value, label in options.items():
            where = _where(step, value)
            if not any(char.isalnum() for char in label):
                yield Note(where, "this answer has no letters", "give it a word")
                continue
            twin = plain.setdefault(normal(label), value)
            if twin != value:
                other = options[twin]
                yield Note(where, f"{label!r} and {other!r} are the same to a phone", "reword one")
            elif picked := _picks_another(flows, step, voice, value):
                yield Note(
                    where,
                    f"who sends {label!r} is taken to mean {picked}",
                    "add it to words.yaml under answers"
                    if step.state.yes_no or step.state.report
                    else "reword one, so that each begins with a word of its own",
                )
            if (stopper := _stops(label, voices)) is not None:
                yield Note(where, f"{label!r} stops all texts{stopper}", "use another word")
            elif step.flow not in _COMMANDING and (command := voice.words.command(label)):
                yield Note(where, f"{label!r} is the command {command.upper()}", "use another word")


_COMMANDING = frozenset({"menu", "report", OPENING})
"""Flows whose answers may be commands, as they mean the same."""


def _where(step: Step, value: str) -> str:
    if step.flow == OPENING:
        return "words.yaml, language"
    if step.state.yes_no or step.state.report:
        return sentence_context(value)
    return label_context(step, value)


def _picks_another(flows: Flows, step: Step, voice: Voice, value: str) -> str:
    """Say what else a grower gets who sends the words of an answer; empty when all is well."""
    options = voice.options(step)
    if step.flow == OPENING or (step.state.report and value == "help"):
        return ""  # help is a command
    sizes = Sizes(*flows.figures.row("area_acres").range)
    reading = read(options[value], Asked(step, options, voice.words, FIRST_DAY, sizes))
    if isinstance(reading, Unread):
        return "nothing the bot understands"
    if step.state.choose_any:
        got = {name for name in step.answers if reading[name]} or {"none"}
    elif step.state.yes_no:
        got = {"yes" if reading[step.answer] else "no"}
    else:
        got = {str(reading[step.answer])}
    return (
        "" if got == {value} else ", ".join(repr(options.get(each, each)) for each in sorted(got))
    )


def _stops(text: str, voices: Mapping[str, Voice]) -> str | None:
    """Say in which language a text is STOP, which works in all of them; None if in none."""
    for code, voice in voices.items():
        if voice.words.command(text) == "stop":
            return f" in {voice.words.language}" if code else ""
    return None


_NAMES = {
    "sentences.keep": ("commands", "same"),
    "sentences.stopped": ("commands", "start"),
    "sentences.still_stopped": ("commands", "start"),
    "sentences.enough_today": ("commands", "help"),
    "sentences.to_end": ("commands", "stop"),
    "rain.rained": ("answers", "done"),
    "rain.rained?": ("answers", "done"),
}
"""Texts that tell a grower what to send, and the word of words.yaml that they must name."""
_HELP = ("back", "plan", "new", "stop")


def _named(flows: Flows, voice: Voice, listed: Spellings) -> Iterator[Note]:
    """Check that a grower who sends the very word a text names gets what it says."""
    wanted = [(context, *place) for context, place in _NAMES.items()]
    wanted += [(sentence_context("help_text"), "commands", each) for each in _HELP]
    texts = {each.context: each.source for each in messages(flows)}
    for context, group, meaning in wanted:
        if context not in texts or not voice.worded(texts[context], context):
            continue
        said = voice.text(texts[context], context)
        if not any(_says(said, word) for word in listed[group, meaning]):
            yield Note(
                context,
                f"it names no word that words.yaml has under {group}: {meaning}",
                f"name one of them: {', '.join(listed[group, meaning])}",
            )
    context = sentence_context("volume_assumed")
    menu = flows.flows.get("menu")
    step = menu.steps.get("choice") if menu else None
    if step is not None and "sprayer" in voice.options(step) and context in texts:
        first = voice.options(step)["sprayer"].split()[0].strip(",.:;")
        if not _says(voice.text(texts[context], context), first):
            yield Note(
                context,
                f"it must tell the grower to send {first!r}, with which the menu's answer begins",
                f"name that word, or begin {label_context(step, 'sprayer')} with the word it names",
            )


def _says(text: str, word: str) -> bool:
    return f" {normal(word)} " in f" {normal(text)} "


def _stopping(
    flows: Flows, voice: Voice, listed: Spellings, rivals: Mapping[str, Voice]
) -> Iterator[Note]:
    """Find answers that would stop all texts, since STOP is known in every language's words."""
    for (group, meaning), written in listed.items():
        if (group, meaning) == ("commands", "stop"):
            continue
        for word in written:
            if (stopper := _stops(word, rivals)) is not None:
                where = f"words.yaml, {group}: {meaning}"
                yield Note(where, f"{word!r} stops all texts{stopper}", "take it out")
    for word in listed["commands", "stop"]:
        own = _meaning(word, voice)
        meant = {own} if own else set()
        for rival in rivals.values():
            options = [
                label
                for step in flows.steps()
                if step.kind == "ask"
                for label in rival.options(step).values()
                if normal(label) == normal(word)
            ]
            if found := _meaning(word, rival) or next(iter(options), ""):
                meant.add(f"{found} in {rival.words.language}")
        if meant:
            yield Note(
                "words.yaml, commands: stop",
                f"{word!r} also means {', '.join(sorted(meant))}, and would stop all texts",
                "take it out",
            )


def _meaning(word: str, voice: Voice) -> str:
    """What a word means in a language, other than STOP; empty for nothing."""
    words = voice.words
    command = words.command(word)
    for found in (None if command == "stop" else command, words.answer(word), words.unit(word)):
        if found:
            return found
    numbers = (words.number(word), words.day(word), words.weekday(word), words.month(word))
    return word if any(each is not None for each in numbers) else ""


def _own_words(words: Words, listed: Spellings, others: Mapping[str, Language]) -> Iterator[Note]:
    """Find what is still as it was copied from the English file."""
    for other in others.values():
        if normal(other.words.language) == normal(words.language):
            yield Note(
                "words.yaml, language",
                f"{words.language!r} is the name of {other.code}, too",
                "write the language's own name, as its speakers do",
            )
    english = others.get(SOURCE)
    if english is None or english.words.locale == words.locale:
        return
    known = {"commands": english.words.command, "answers": english.words.answer}
    for (group, meaning), written in listed.items():
        if group in known and all(known[group](word) == meaning for word in written):
            yield Note(
                f"words.yaml, {group}: {meaning}",
                "only English words stand there",
                "add the words that speakers type",
                "warning",
            )
