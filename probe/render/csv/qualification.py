"""Everything that a qualification measured as CSV, a value a row."""

from collections.abc import Sequence

from msgspec.structs import asdict

from probe.qualify.document import RecordSummary
from probe.qualify.measured import Measured
from probe.render.csv.table import table


def render(_: RecordSummary, rows: Sequence[Measured]) -> str:
    """The text."""
    return table(Measured.__struct_fields__, map(asdict, rows))
