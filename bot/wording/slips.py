"""Which known word a mistyped one must have meant; nothing where that could be two.

Two kinds of slip are known. Letters left out, doubled, swapped or wrong, within a bound: one in a
word of 4 to 7 letters, two from 8, and never the first, which tells "dawa" (a chemical) from "sawa"
(all right) and "mapana" (wide) from "hapana" (no). And a phone's keypad: the right keys with the wrong letters
("wer" for "yes"), with digits ("937"), or each letter tapped ("999 33 7777"); the letters on the
keys are those of ITU-T E.161 (from memory).

A word that is near a command is never an answer, and a word as near to two meanings has none.
"""

from __future__ import annotations

import re
from collections import defaultdict
from typing import TYPE_CHECKING

from rapidfuzz.distance import OSA

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

_ONE_SLIP_FROM, _TWO_SLIPS_FROM = 4, 8
"""Letters. Nearly every text of three letters is near some word."""

_HEAD = 3
"""Letters in front that must be right for two slips: there Kiswahili says when and whether
("nitafanya" is "I shall do it", "nimefanya" is "I have")."""

_SHORTEST_ON_KEYS = 3
_SHORTEST_JOINED = 6
"""Letters that a phrase must have to be known without its spaces: "dontknow"."""

_KEYS = ("abc", "def", "ghi", "jkl", "mno", "pqrs", "tuv", "wxyz")
_TO_KEYS = str.maketrans(
    {letter: str(key) for key, letters in enumerate(_KEYS, start=2) for letter in letters}
)
_TAPS = re.compile(r"([2-9])\1*")


def keys(word: str) -> str:
    """Give the keys of a phone's keypad that type a word: "yes" is "937".

    Empty where a letter has no key of its own, or where they are too few to tell words apart.
    """
    pressed = word.replace(" ", "").translate(_TO_KEYS)
    typed = pressed.isascii() and pressed.isdigit() and not set("01") & set(pressed)
    return pressed if typed and len(pressed) >= _SHORTEST_ON_KEYS else ""


def tapped(text: str) -> str:
    """Give the letters that taps on a keypad mean: "999 33 7777" is "yes". Empty if they are none."""
    taps = [tap[0] for part in text.split() for tap in _TAPS.finditer(part)]
    if "".join(taps) != text.replace(" ", ""):
        return ""
    letters = [_KEYS[int(tap[0]) - 2] for tap in taps]
    if any(len(tap) > len(on_key) for tap, on_key in zip(taps, letters, strict=True)):
        return ""
    return "".join(on_key[len(tap) - 1] for tap, on_key in zip(taps, letters, strict=True))


def allowed(letters: int) -> int:
    """So many slips may be in a word of so many letters."""
    return (letters >= _ONE_SLIP_FROM) + (letters >= _TWO_SLIPS_FROM)


def distance(typed: str, word: str) -> int | None:
    """Count the slips between two plain texts of the same number of words; None if too many.

    Optimal string alignment: a letter left out, put in, wrong, or swapped with the next is one.
    Each word counts for itself, so that "i havent done it" is no slip in "i have done it".
    """
    pairs = list(zip(typed.split(), word.split(), strict=False))
    if typed.count(" ") != word.count(" "):
        return None
    slips = 0
    for one, other in pairs:
        found = _of_one_word(one, other)
        if found is None:
            return None
        slips += found
    return slips if slips <= allowed(_TWO_SLIPS_FROM) else None


def _of_one_word(typed: str, word: str) -> int | None:
    if typed == word:
        return 0
    if not (typed.isalpha() and word.isalpha()):
        return None  # a wrong digit is another number
    shorter = min(len(typed), len(word))
    if typed[0] != word[0]:
        return None
    bound = allowed(shorter)
    slips = OSA.distance(typed, word, score_cutoff=bound)
    if slips > bound or (slips > 1 and typed[:_HEAD] != word[:_HEAD]):
        return None
    return slips


class Vocabulary:
    """Plain words and phrases, ready to find those that a mistyped one is nearest to.

    Words `apart` are found by their letters only: who writes "food" means food, but whose keys
    are those of "done" means that.
    """

    def __init__(self, words: Iterable[str], apart: Iterable[str] = ()) -> None:
        self._alike: dict[tuple[int, str], list[str]] = defaultdict(list)
        self._tails: dict[str, set[str]] = defaultdict(set)
        self._on_keys: dict[str, set[str]] = defaultdict(set)
        self._joined: dict[str, set[str]] = defaultdict(set)
        words = dict.fromkeys(words)
        for word in {**words, **dict.fromkeys(apart)}:
            self._alike[word.count(" "), word[:1]].append(word)
            self._tails[word[1:]].add(word)
        for word in words:
            self._on_keys[keys(word)].add(word)
            self._joined[word.replace(" ", "")].add(word)

    def nearest(self, typed: str) -> set[str]:
        """Give the words with the fewest slips; the same keys, or spaces astray, count as one.

        A word with another first letter is none of them alone, but as good a guess as one slip:
        "munday" may be Monday or Sunday.
        """
        found: dict[str, int] = {}
        for word in self._alike.get((typed.count(" "), typed[:1]), ()):
            slips = distance(typed, word)
            if slips is not None:
                found[word] = slips
        for word in self.on_keys(typed) | self._joined_as(typed):
            found[word] = min(1, found.get(word, 1))
        if found and len(typed) >= _ONE_SLIP_FROM:
            for word in self._tails.get(typed[1:], ()):
                found.setdefault(word, 1)
        fewest = min(found.values(), default=0)
        return {word for word, slips in found.items() if slips == fewest}

    def on_keys(self, typed: str) -> set[str]:
        """Give the words that the same keys type."""
        pressed = keys(typed)
        found = set(self._on_keys.get(pressed, ())) if pressed else set()
        taps = tapped(typed)
        return found | (self._joined.get(taps, set()) if len(taps) >= _SHORTEST_ON_KEYS else set())

    def _joined_as(self, typed: str) -> set[str]:
        joined = typed.replace(" ", "")
        return self._joined.get(joined, set()) if len(joined) >= _SHORTEST_JOINED else set()


class Slips:
    """The words of a language that a slip may be in, and those that it must not come near.

    `groups` give the meanings of plain words by the group they stand in; a word may have one in
    each. What is near one of the `commands` is no answer. `apart` are words that look like ours
    and mean something else; a slip nearest to one of them means nothing here.
    """

    def __init__(
        self,
        groups: Mapping[str, Mapping[str, str]],
        commands: Collection[str],
        apart: Collection[str],
    ) -> None:
        self._groups = groups
        self._apart = apart
        self._commands = {_solid(command) for command in commands}
        self._commands_on_keys = Vocabulary(commands)
        self._words = [word for group in groups.values() for word in group]
        self._vocabulary = Vocabulary(self._words, apart)
        self._with_labels: dict[frozenset[str], Vocabulary] = {}

    def meant(self, typed: str, group: str) -> str | None:
        """Give the one meaning in a group that a mistyped plain text can have; None without one."""
        if self.may_command(typed):
            return None
        meanings = {self._groups[group].get(word) for word in self._vocabulary.nearest(typed)}
        return meanings.pop() if len(meanings) == 1 else None

    def spellings(self, typed: str, labels: frozenset[str]) -> set[str]:
        """Give the words of `labels` that a mistyped word can be; none if it is nearer to others."""
        if self.may_command(typed) or len(typed) < _ONE_SLIP_FROM:
            return set()
        if labels not in self._with_labels:  # one a question
            self._with_labels[labels] = Vocabulary([*labels, *self._words], self._apart)
        found = self._with_labels[labels].nearest(typed)
        return found if found <= labels else set()

    def may_command(self, typed: str) -> bool:
        """Whether a plain text may be a command, by looser bounds than those of an answer."""
        taps = tapped(typed)
        texts = [typed, taps] if len(taps) >= _ONE_SLIP_FROM else [typed]
        solid = map(_solid, texts)
        alike = any(_like(text, command) for text in solid for command in self._commands)
        return alike or bool(self._commands_on_keys.on_keys(typed))


def _solid(text: str) -> str:
    return text.replace(" ", "")


def _like(typed: str, command: str) -> bool:
    """Whether two texts without spaces may be the same."""
    if min(len(typed), len(command)) < _SHORTEST_ON_KEYS:
        return typed == command
    bound = max(1, allowed(max(len(typed), len(command))))
    if abs(len(typed) - len(command)) > bound:
        return False
    return OSA.distance(typed, command, score_cutoff=bound) <= bound
