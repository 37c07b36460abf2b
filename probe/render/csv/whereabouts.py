"""Where a component was, as CSV, a row a stay."""

from probe.fleet.whereabouts import Whereabouts
from probe.render.csv.table import table
from probe.render.whereabouts_records import COLUMNS, records


def render(document: Whereabouts) -> str:
    """The text."""
    return table(COLUMNS, records(document))
