"""A text as a flow file has it: in one wording, or in two, as a noun goes with a number.

    left_out: "{name} comes too late: leave it out."
    broken_by:
      count: least
      one: "The longest wait: {least} day from {before} to {name}."
      other: "The longest wait: {least} days from {before} to {name}."

`count` names the value that decides. Two wordings do for English; a translation has as many
forms as its language (gettext's `msgstr[n]`).
"""

from __future__ import annotations

from msgspec import Struct

from bot.wording.formats import placeholders


class Forms(Struct, frozen=True, forbid_unknown_fields=True):
    """A text in two wordings: for exactly one, and for any other count.

    Only `one` may leave the counted value out: "one day late".
    """

    count: str
    one: str
    other: str


Text = str | Forms


def plain(text: Text) -> str:
    """Give a text as it stands with most counts."""
    return text.other if isinstance(text, Forms) else text


def count_of(text: Text) -> str:
    """Name the value that decides a text's form; empty for a text in one wording."""
    return text.count if isinstance(text, Forms) else ""


def names(text: Text) -> frozenset[str]:
    """Name the values that a text asks for. Raises ValueError for a lone brace."""
    if isinstance(text, Forms):
        return placeholders(text.one) | placeholders(text.other) | {text.count}
    return placeholders(text)


def slip(text: Text) -> str:
    """Say what is wrong with the forms of a text; empty where nothing is."""
    if not isinstance(text, Forms):
        return ""
    one, other = placeholders(text.one), placeholders(text.other)
    if text.count not in other:
        return f"`other` lacks {{{text.count}}}, which `count` names"
    if lost := other - one - {text.count}:
        return f"`one` lacks {{{', '.join(sorted(lost))}}}, which `other` has"
    if strange := one - other:
        return f"`one` has {{{', '.join(sorted(strange))}}}, which `other` lacks"
    return ""
