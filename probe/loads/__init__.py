"""Loads that linkprobe can drive itself. A site adds its own as entry points of the group `linkprobe.exercisers`.

May live here: one exerciser a file. What one may write, and what it refuses, stands at its head.
"""

from importlib.metadata import entry_points

from probe.exceptions import InputError
from probe.loads.interface import Exerciser, Target

GROUP = "linkprobe.exercisers"


def known() -> dict[str, Exerciser]:
    """Every exerciser that is installed, by name."""
    return {point.name: point.load()() for point in sorted(entry_points(group=GROUP), key=lambda point: point.name)}


def find(text: str) -> list[tuple[Exerciser, Target]]:
    """What `NAME[:TARGET]` means; without a target, all that the exerciser finds. Raises InputError."""
    name, _, target = text.partition(":")
    exercisers = known()
    if name not in exercisers:
        raise InputError("no such load", where=f"--load {text}", remedy=f"choose among {', '.join(exercisers)}")
    exerciser = exercisers[name]
    targets = [exerciser.target(target)] if target else exerciser.targets()
    if not targets:
        raise InputError(f"finds nothing to drive ({exerciser.needs})", where=f"--load {text}", remedy="name a target")
    return [(exerciser, item) for item in targets]
