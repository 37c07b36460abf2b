"""The ways between devices as CSV, a row a pair."""

from collections.abc import Iterator, Mapping

from probe.paths.document import Pair, Paths
from probe.render.csv.table import table

COLUMNS = (
    "one", "one_kind", "one_title", "other", "other_kind", "other_title", "turn", "at", "redirecting_ports",
    "same_node", "same_group", "same_root", "narrowest_speed_gts", "narrowest_width", "ceiling_bytes_s",
)  # fmt: skip


def render(document: Paths) -> str:
    """The text."""
    return table(COLUMNS, _rows(document))


def _rows(document: Paths) -> Iterator[Mapping[str, object]]:
    devices = {device.address: device for device in document.devices}
    for pair in document.pairs:
        one, other = devices[pair.one], devices[pair.other]
        yield {
            "one": pair.one, "one_kind": one.kind, "one_title": one.title,
            "other": pair.other, "other_kind": other.kind, "other_title": other.title,
            **_way(pair),
        }  # fmt: skip


def _way(pair: Pair) -> dict[str, object]:
    state = None if pair.narrowest is None else pair.narrowest.negotiated
    return {
        "turn": pair.turn,
        "at": pair.at,
        "redirecting_ports": " ".join(port.port for port in pair.isolation if port.redirects) or None,
        "same_node": pair.same_node,
        "same_group": pair.same_group,
        "same_root": pair.same_root,
        "narrowest_speed_gts": None if state is None else state.speed_gts,
        "narrowest_width": None if state is None else state.width,
        "ceiling_bytes_s": pair.ceiling_bytes_s,
    }
