"""The time between two snapshots, in words."""

from probe.compare.changes import Comparison
from probe.compare.rank import Rank
from probe.render.units import duration

TITLES = {Rank.WORSE: "For the worse", Rank.NEUTRAL: "Neither better nor worse", Rank.BETTER: "For the better"}


def span(document: Comparison) -> str:
    """How long lay between, and whether the machine was started anew."""
    if document.elapsed_s is None:
        return "compared; the time between is not known"
    since = "since it was started anew" if document.rebooted else "between the two"
    return f"compared, {duration(document.elapsed_s)} {since}"
