"""One link in full on a terminal, and decoded registers."""

from collections.abc import Iterable

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from probe.audit.document import LinkDocument
from probe.audit.explanation import Explanation
from probe.audit.verdict_headline import headline, where
from probe.counted import counted
from probe.errors.attribution import sentence
from probe.errors.bit_error_ratio import clean_seconds
from probe.render import styles
from probe.render.terminal import decoded
from probe.render.units import data_rate, duration
from probe.settings.wording import advice, rows
from probe.verdict.next_steps import CAUTIONS, touches_hardware


def render(document: Explanation, screen: Console) -> None:
    """Draw one link: verdict, reasons, both ends, path, what it can carry, what to do."""
    link = document.link
    screen.print(
        Text.assemble((where(link), "bold"), "  ", (link.verdict, styles.TERMINAL[link.verdict]), f"  {headline(link)}")
    )
    _place(link, screen)
    _heading("Why", screen)
    for reason in link.reasons:
        screen.print(Text(f"  {reason.meaning}"))
        screen.print(Padding(Text(f"{reason.source}: {reason.value}", style="dim"), (0, 0, 0, 6)))
    _ends(document, screen)
    _path(link, screen)
    _bandwidth(link, screen)
    _settings(link, screen)
    _errors(link, screen)
    _steps(link.next_steps, screen)
    for function in document.functions:
        decoded.render(function, screen)


def _heading(title: str, screen: Console) -> None:
    screen.print()
    screen.print(Text(title, style="bold"))


def _place(link: LinkDocument, screen: Console) -> None:
    if link.component is not None:
        names = link.component.names
        told = ", ".join(filter(None, (names.vendor, names.device, names.kind)))
        screen.print(Text(f"  {told or f'vendor {link.component.vendor_id} device {link.component.device_id}'}"))
    if link.slot is None:
        return
    names_of_place = ", ".join(f"{item.name} ({item.source})" for item in link.slot.names)
    if names_of_place:
        screen.print(Text(f"  place: {names_of_place}"))
    if link.slot.agreement:
        screen.print(Text(f"  {link.slot.agreement}"))
    extra = []
    if link.slot.smbios_type:
        lanes = "" if link.slot.smbios_lanes is None else f", {counted(link.slot.smbios_lanes, 'lane')} wired"
        extra.append(f"firmware calls it {link.slot.smbios_type}{lanes}")
    if link.slot.power_limit_w is not None:
        extra.append(f"power limit {link.slot.power_limit_w:g} W")
    if extra:
        screen.print(Text("  " + "; ".join(extra)))


def _ends(document: Explanation, screen: Console) -> None:
    _heading("Both ends", screen)
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    table.add_column("")
    table.add_column("port above", overflow="fold")
    table.add_column("component below", overflow="fold")
    hidden = "not read" if document.link.downstream_port else "hidden"
    below = "not read" if document.link.component else ""
    for row in document.ends:
        table.add_row(row.label, row.port or hidden, row.component or below)
    screen.print(Padding(table, (0, 0, 0, 2)))


def _path(link: LinkDocument, screen: Console) -> None:
    if not link.path:
        return
    _heading("Path from the root", screen)
    for depth, step in enumerate(link.path):
        mark = "  <- the narrowest on the way" if step.narrowest else ""
        rate = "" if step.bytes_s is None else f"  {data_rate(step.bytes_s)}"
        ends = f"{step.downstream_port or 'hidden port'} to {step.upstream_port or 'nothing'}"
        screen.print(f"  {'  ' * depth}{ends}  {step.negotiated}{rate}{mark}")
    if link.oversubscription is not None:
        screen.print(f"  The links below could fill this one {link.oversubscription:g} times over.")


def _bandwidth(link: LinkDocument, screen: Console) -> None:
    carried = link.bandwidth
    if carried.negotiated_bytes_s is None:
        return
    _heading("What it carries, one direction", screen)
    rows = [("line rate after encoding", data_rate(carried.negotiated_bytes_s))]
    if carried.possible_bytes_s is not None and carried.possible_bytes_s != carried.negotiated_bytes_s:
        rows.append(("the same at the possible state", data_rate(carried.possible_bytes_s)))
    ceiling = carried.ceiling_bytes_s
    if ceiling.to_host is not None and ceiling.from_host is not None and carried.read_floor_bytes_s is not None:
        payload = f"in packets of {carried.max_payload_size} bytes"
        rows.append((f"payload to the host, {payload}", f"at most {data_rate(ceiling.to_host)}"))
        reads = f"{data_rate(carried.read_floor_bytes_s)} to {data_rate(ceiling.from_host)}"
        rows.append(("payload from the host, by completion size", reads))
    for label, value in rows:
        screen.print(f"  {label:<46} {value}")


def _settings(link: LinkDocument, screen: Console) -> None:
    if link.settings is None:
        return
    listed = tuple(rows(link.settings))
    if listed:
        _heading("Settings in force, as read; nothing is written", screen)
        table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
        table.add_column(no_wrap=True)
        table.add_column(overflow="fold")
        for label, value in listed:
            table.add_row(label, value)
        screen.print(Padding(table, (0, 0, 0, 2)))
    for told in advice(link.settings):
        screen.print(Padding(Text(told), (0, 0, 0, 2)))


def _errors(link: LinkDocument, screen: Console) -> None:
    _heading("Errors since boot", screen)
    if link.errors.correctable is None:
        screen.print("  not counted by the kernel here")
    elif not link.error_findings:
        screen.print("  none counted (linkprobe audit says where counters are not to be believed)")
    for finding in link.error_findings:
        screen.print(f"  {sentence(finding)}")
        for row in finding.rows:
            screen.print(
                Padding(Text(f"{row.error}: {row.meaning}; usual causes: {row.causes}", style="dim"), (0, 0, 0, 6))
            )
    now = link.negotiated
    counted = link.errors.correctable is not None
    if counted and now.speed_gts is not None and now.width is not None and not link.bandwidth.flit_mode:
        clean = duration(clean_seconds(now.speed_gts * 1e9 * now.width))
        screen.print(
            f"  {clean} without an error show a bit error ratio below 1e-12 at 95 % (ASPM {link.aspm or 'not read'})"
        )


def _steps(steps: Iterable[str], screen: Console) -> None:
    listed = tuple(steps)
    if not listed:
        return
    _heading("What next", screen)
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 1))
    table.add_column(justify="right")
    table.add_column()
    for number, step in enumerate(listed, start=1):
        table.add_row(f"{number}.", step)
    screen.print(Padding(table, (0, 0, 0, 2)))
    if touches_hardware(listed):
        screen.print()
        screen.print(Padding(Text(CAUTIONS, style="italic"), (0, 0, 0, 2)))
