"""The exit status that a batch ends in."""

from probe.batch.document import Batch
from probe.batch.standing import Standing
from probe.exit_status import ExitStatus, status_of


def exit_status(document: Batch) -> ExitStatus:
    """2 if anything is urgent, 1 if a cell is odd or a link or test is a finding itself, 3 if nobody can say, else 0.

    Nobody can say where machines differ and are too few, where they are split, and where nothing could be compared.
    """
    odd = any(item.standing is Standing.ODD for item in document.findings)
    places = (*document.places, *((document.firmware,) if document.firmware is not None else ()))
    nothing = not any(told.known > 1 for place in places for told in place.compared)
    return status_of(
        urgent=any(item.urgent for item in document.own),
        found=odd or bool(document.own),
        judged=not (document.findings or document.splits or nothing),
    )
