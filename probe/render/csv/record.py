"""A record of a soak as CSV, a row a link, in the document's order and with its names."""

from collections.abc import Callable
from functools import partial

from probe.registers.errors import Severity
from probe.render.csv.table import table
from probe.soak.record import LinkOutcome, Record


def _counted(severity: Severity, item: LinkOutcome) -> int | None:
    """Errors of a severity since the links ran; nothing where they could not be counted."""
    if item.errors_counted is False:
        return None
    return sum(finding.events for finding in item.errors if finding.severity is severity)


_COLUMNS: dict[str, Callable[[LinkOutcome], object]] = {
    "place": lambda item: item.place_id,
    "title": lambda item: item.title,
    "result": lambda item: item.result.value,
    "loaded": lambda item: item.loaded,
    "urgent": lambda item: item.urgent,
    "before": lambda item: item.before.value,
    "under_load": lambda item: item.under_load.value,
    "best_speed_gts": lambda item: item.best.speed_gts,
    "best_width": lambda item: item.best.width,
    "worst_speed_gts": lambda item: item.worst.speed_gts,
    "worst_width": lambda item: item.worst.width,
    "transitions": lambda item: item.transitions,
    **{severity.value: partial(_counted, severity) for severity in Severity},
    "errors_before_baseline": lambda item: item.errors_before_baseline,
    "hottest_c": lambda item: item.hottest_c,
    "slowest_share": lambda item: item.slowest_share,
    "reasons": lambda item: "; ".join(item.reasons),
}


def render(document: Record) -> str:
    """The text."""
    asked = {"at_least": None if document.scope is None else document.scope.at_least}
    rows = ({name: read(item) for name, read in _COLUMNS.items()} | asked for item in document.links)
    return table((*_COLUMNS, *asked), rows)
