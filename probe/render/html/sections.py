"""Sections that several pages share: links, changes, the environment."""

from collections.abc import Iterable, Sequence

from probe.audit.document import LinkDocument
from probe.audit.names import described, title
from probe.audit.verdict_headline import where
from probe.compare.changes import Change
from probe.evidence import Host
from probe.render.html.page import Section


def changes(found: Iterable[Change]) -> Section:
    """What changed between two snapshots."""
    rows = tuple((change.rank, change.place, change.sentence, change.evidence) for change in found)
    texts = () if rows else ("Nothing changed between the snapshots before and after.",)
    return Section(title="Before and after", texts=texts, columns=("rank", "place", "change", "evidence"), rows=rows)


def environment(host: Host) -> Section:
    """Who the machine is."""
    rows = [
        ("host", host.name or "not read"),
        ("kernel", host.kernel or "not read"),
        ("kernel command line", host.command_line or "not read"),
        ("taken at", host.taken_at),
        ("boot id", host.boot_id or "not read"),
        *((name.replace("_", " "), text) for name, text in sorted(host.firmware.items())),
    ]
    return Section(title="Environment", columns=("what", "value"), rows=tuple(rows))


def links(found: Sequence[LinkDocument]) -> Section:
    """Every link with its verdict and settings."""
    rows = tuple(
        (
            title(link),
            where(link),
            link.verdict,
            str(link.negotiated),
            str(link.possible),
            described(link) or "",
            "" if link.component is None else link.component.driver or "",
            f"ASPM {link.aspm or 'not read'}, payload {link.bandwidth.max_payload_size or 'not read'}",
        )
        for link in found
    )
    columns = ("place", "address", "verdict", "runs at", "can do", "component", "driver", "settings")
    return Section(title="Links as first seen", columns=columns, rows=rows)
