"""Whether every text is there and fits the phone, in every language.

A question must fit its own budget of SMS segments and few USSD screens; any other sentence
must fit one text of the plan. The values in them are the worst a grower can meet
(`bot.dialogue.showing`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bot.dialogue.messages import messages, sentence_context
from bot.dialogue.proof import Fault
from bot.dialogue.showing import LONGEST_MORE, MOST_SCREENS, lost, more_fits, shown
from bot.wording.gsm import measure
from bot.wording.languages import SOURCE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bot.dialogue.loading import Flows
    from bot.dialogue.voice import Voice
    from bot.wording.languages import Language


def fit(flows: Flows, language: Language, voice: Voice) -> list[Fault]:
    """Check every text of one language; an empty list means that all are there and fit."""
    return [*_translated(flows, language, voice), *_too_long(flows, language, voice)]


def _translated(flows: Flows, language: Language, voice: Voice) -> Iterator[Fault]:
    if language.code == SOURCE:
        return
    for message in messages(flows):
        where = f"{language.code}, {message.context}"
        if not voice.worded(message.source, message.context):
            kind = "safety text" if message.safety else "text"
            forms = " in every form" if message.count else ""
            yield Fault(where, f"this {kind} is not translated{forms}: {message.text!r}")
            continue
        for translated, missing in lost(message, voice).items():
            what = f"the translation lacks {{{', '.join(sorted(missing))}}}"
            yield Fault(where, f"{what}: {translated!r}" if message.count else what)


def _too_long(flows: Flows, language: Language, voice: Voice) -> Iterator[Fault]:
    if not more_fits(voice):
        yield Fault(
            f"{language.code}, {sentence_context('more')}",
            f"at most {LONGEST_MORE} characters, or a USSD screen has no room for a text",
        )
    for each in shown(flows, voice):
        where = f"{language.code}, {each.context}"
        if each.over:
            size = measure(each.text)
            yield Fault(
                where,
                f"{size.segments} segments ({size.encoding.name}, {len(each.text)} characters), "
                f"but its budget is {each.allowed}: {each.text!r}",
            )
        if each.screens > MOST_SCREENS:
            yield Fault(
                where, f"{each.screens} USSD screens, at most {MOST_SCREENS}: {each.text!r}"
            )
