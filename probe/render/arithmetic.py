"""The bandwidth arithmetic on a terminal."""

from rich.console import Console
from rich.table import Table

from probe.links.arithmetic import Arithmetic
from probe.render.units import data_rate


def arithmetic(document: Arithmetic, screen: Console) -> None:
    """Draw the steps from the wire to the payload."""
    sizes = f"payload {document.max_payload_size} bytes, read request {document.max_read_request_size} bytes"
    screen.print(f"{document.speed_gts:g} GT/s x{document.width}, {sizes}, one direction\n")
    table = Table(box=None, pad_edge=False, show_header=False, padding=(0, 2, 0, 0))
    table.add_column(overflow="fold")
    table.add_column(justify="right", no_wrap=True)
    table.add_column(style="dim", overflow="fold")
    for step in document.steps:
        table.add_row(step.what, data_rate(step.bytes_s), step.reckoning)
    screen.print(table)
    screen.print(
        "\nReads land between the last two, by how the root complex cuts its completions. Acknowledgements and flow "
        "control take a little more; large one-way transfers usually reach 75 to 95 % of the ceiling."
    )
