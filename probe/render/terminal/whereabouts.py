"""Where a component was, on a terminal."""

from rich.console import Console
from rich.text import Text

from probe.counted import counted
from probe.fleet.whereabouts import Whereabouts
from probe.render.terminal.fleet import draw
from probe.render.whereabouts_records import records

_SPARE = ("seen", "address", "verdict", "component", "uncorrectable", "boots", "tests", "correctable")
"""What goes first where there is no room; when it was where is what was asked."""


def render(document: Whereabouts, screen: Console) -> None:
    """Draw each stay; nothing found is said."""
    if document.stays:
        hosts = len({stay.machine for stay in document.stays})
        told = f"{counted(len(document.stays), 'place')} on {counted(hosts, 'host')}"
        among = "" if document.machines is None else f" of {document.machines} looked through"
        screen.print(Text.assemble((f"serial {document.serial}", "bold"), f"  {told}{among}"))
    draw(list(records(document)), screen, _SPARE)
