"""The bandwidth arithmetic on a terminal."""

from rich.console import Console
from rich.padding import Padding
from rich.table import Table

from probe.bandwidth.arithmetic import Arithmetic
from probe.render.units import data_rate

_ENCODING = """\
Encoding: 8 of 10 bits carry data at 2.5 and 5 GT/s, 128 of 130 from 8 to 32 (Base Specification 6.1, table 1-1; \
Intel AN 690 gives 20 % and 1.54 % for the cost)."""
_PACKET = """\
A packet takes 12 bytes of header (three dwords; 16 for addresses past 4 GiB), 4 of framing and sequence number \
and 4 of link CRC beside its payload: 20 bytes, 92 % of the line at 256 (Intel AN 456, AN 855)."""
_FLIT = """\
In Flit mode 236 of 256 bytes carry packets, 6 the link's own words, 14 CRC and error correction (PCI-SIG webinar \
on Flit error correction: 242 payload + 8 CRC + 6 FEC, of which 6 are the link's)."""
_READS = """\
Reads come back in completions no longer than Max_Payload_Size and Max_Read_Request_Size allow; a root complex \
may cut them at every Read Completion Boundary, 64 or 128 bytes (Intel AN 855; AMD PG213)."""

_TAKEN_OFF = "Acknowledgements and flow control are in the 6 link bytes of each flit, taken off already; "
_NOT_TAKEN_OFF = "Acknowledgements and flow control take a little more; "


def render(document: Arithmetic, screen: Console, *, explain: bool = False) -> None:
    """Draw the steps from the wire to the payload; `explain` adds where each figure comes from."""
    sizes = f"payload {document.max_payload_size} bytes, read request {document.max_read_request_size} bytes"
    screen.print(f"{document.speed_gts:g} GT/s x{document.width}, {sizes}, one direction\n")
    table = Table(box=None, pad_edge=False, show_header=False, padding=(0, 2, 0, 0))
    table.add_column(overflow="fold")
    table.add_column(justify="right", no_wrap=True)
    table.add_column(style="dim", overflow="fold")
    for step in document.steps:
        table.add_row(step.what, data_rate(step.bytes_s), step.reckoning)
    screen.print(table)
    if explain:
        for line in (_FLIT, _READS) if document.flit_mode else (_ENCODING, _PACKET, _READS):
            screen.print(Padding(line, (1, 0, 0, 2)))
    screen.print(
        "\nReads land between the last two, by how the root complex cuts its completions. "
        f"{_TAKEN_OFF if document.flit_mode else _NOT_TAKEN_OFF}large one-way transfers usually reach 75 to 95 % of "
        "the ceiling."
    )
