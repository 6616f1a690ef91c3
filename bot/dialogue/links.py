"""How the operations of one plan follow one another, from the links of flows/operations.yaml."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bot.agronomy.calendar import Link

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bot.dialogue.loading import Flows
    from bot.dialogue.records import Operation, Plan


def chain(flows: Flows, operations: Sequence[Operation]) -> list[Link]:
    """Link each operation to the nearest earlier one it has a link with."""
    ids = [each.id for each in operations]
    links = []
    for place, identity in enumerate(ids):
        rows = {row.after: row for row in flows.links if row.operation == identity}
        earlier = next((each for each in reversed(ids[:place]) if each in rows), None)
        if earlier is not None:
            row = rows[earlier]
            links.append(
                Link(
                    operation=identity,
                    after=earlier,
                    least=int(flows.figures[row.least]),
                    most=int(flows.figures[row.most]) if row.most else None,
                )
            )
    return links


def what_precedes(links: Sequence[Link]) -> dict[str, str]:
    """For each operation that follows another, the other's id."""
    return {link.operation: link.after for link in links}


def follows(flows: Flows, plan: Plan) -> dict[str, str]:
    """For each operation that follows another in this plan, the other's id."""
    return what_precedes(chain(flows, plan.operations))
