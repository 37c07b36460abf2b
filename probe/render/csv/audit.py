"""An audit as CSV, a row a link, in the document's order and with its names."""

from collections.abc import Callable

from probe.audit.document import AuditDocument, LinkDocument
from probe.audit.names import identity
from probe.audit.verdict_headline import headline
from probe.render.csv.table import table

_COLUMNS: dict[str, Callable[[LinkDocument], object]] = {
    "downstream_port": lambda link: link.downstream_port,
    "upstream_port": lambda link: link.upstream_port,
    "slot": lambda link: None if link.slot is None else link.slot.title,
    "kind_of_link": lambda link: link.kind.value,
    "verdict": lambda link: link.verdict.value,
    "shortfall": lambda link: " ".join(link.shortfall),
    "alarming": lambda link: link.alarming,
    "urgent": lambda link: link.urgent,
    "negotiated_speed_gts": lambda link: link.negotiated.speed_gts,
    "negotiated_width": lambda link: link.negotiated.width,
    "possible_speed_gts": lambda link: link.possible.speed_gts,
    "possible_width": lambda link: link.possible.width,
    "negotiated_bytes_s": lambda link: link.bandwidth.negotiated_bytes_s,
    "component": lambda link: None if link.component is None else link.component.names.device,
    "identity": identity,
    "correctable": lambda link: link.errors.correctable,
    "nonfatal": lambda link: link.errors.nonfatal,
    "fatal": lambda link: link.errors.fatal,
    "reason": headline,
}


def render(document: AuditDocument) -> str:
    """The text."""
    rows = ({name: read(link) for name, read in _COLUMNS.items()} for link in document.links)
    return table(tuple(_COLUMNS), rows)
