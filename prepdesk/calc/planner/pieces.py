"""How many pieces of one item a way of making needs at the same moment, and whether there are so many.

A one-mark flask holds its intermediate solution until the last of it is taken; only then may it be rinsed
and used again. Portions that are measured one after another with one pipette need one pipette.
"""

from collections.abc import Iterator, Sequence

from prepdesk.calc.planner.bench import Tool
from prepdesk.calc.planner.chains import Chain
from prepdesk.calc.planner.vessels import Vessel


def moments(vessel: Vessel, chains: Sequence[Chain]) -> Iterator[list[Tool]]:
    """The flasks and cylinders in use at each stage, in bench order, a tool once for each piece.

    A component's intermediates are made one from the other, and the last one waits until the solution
    asked for is made up.
    """
    waiting: list[Tool] = []
    for chain in chains:
        before: list[Tool] = []
        for stage in chain.stages:
            yield [*waiting, *before, stage.flask]
            before = [stage.flask]
        waiting += before
    # A cylinder that is filled up can't measure another liquid into itself.
    into_itself = any(measures_into_itself(vessel, chain) for chain in chains)
    yield [*waiting, vessel.tool, *([vessel.tool] if into_itself else [])]


def measures_into_itself(vessel: Vessel, chain: Chain) -> bool:
    """Whether what goes into a cylinder would be measured with the same cylinder."""
    if vessel.portions > 1:
        return False
    tools = [part.measure.tool for part in chain.last.parts] or [chain.last.tool]
    return any(tool is vessel.tool for tool in tools)


def there_are_enough(vessel: Vessel, chains: Sequence[Chain]) -> bool:
    """Whether at no stage more pieces of an item are in use than there are."""
    return all(
        moment.count(tool) <= tool.apparatus.count for moment in moments(vessel, chains) for tool in moment
    )


def most_at_once(vessel: Vessel, chains: Sequence[Chain]) -> dict[Tool, int]:
    """Of each flask and cylinder the most pieces [1] that are in use at one moment."""
    found: dict[int, tuple[Tool, int]] = {}
    for moment in moments(vessel, chains):
        for tool in moment:
            _, most = found.get(id(tool), (tool, 0))
            found[id(tool)] = (tool, max(most, moment.count(tool)))
    return dict(found.values())
