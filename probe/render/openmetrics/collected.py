"""What a host's monitoring is told, with names and units as OpenMetrics asks, written by the official client library.

Few series a link: states as numbers in base units, what names a link in one `_info` series, errors by severity.
"""

from collections.abc import Iterable, Iterator, Sequence

import msgspec
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily, Metric
from prometheus_client.exposition import generate_latest
from prometheus_client.openmetrics.exposition import generate_latest as generate_openmetrics
from prometheus_client.registry import Collector, CollectorRegistry

from probe.audit.document import LinkDocument
from probe.audit.names import described
from probe.foreign_text import made_plain
from probe.registers.errors import Severity

_GIGA = 1e9
_LINK = ["place"]


class RunFigures(msgspec.Struct, frozen=True, kw_only=True):
    """What is told of a run: when the last one ended well, how long this took, what hung, how many components went."""

    taken_s: float
    seconds: float
    hung: str = ""
    gone: int = 0


class Collected(Collector):
    """One run's links and figures, as metrics."""

    def __init__(self, links: Sequence[LinkDocument], widest: dict[str, int], run: RunFigures) -> None:
        self._links = [made_plain(link) for link in links if link.component is not None]
        self._widest = made_plain(widest)
        self._run = made_plain(run)

    def collect(self) -> Iterator[Metric]:
        """Every metric."""
        yield from self._of_links()
        yield from self._of_the_run()

    def _of_links(self) -> Iterator[Metric]:
        info = InfoMetricFamily("linkprobe_link", "What names a link.", labels=[*_LINK])
        for link in self._links:
            slot = link.slot.title if link.slot is not None else None
            info.add_metric([link.place_id], {
                "port": link.downstream_port or "", "component": link.upstream_port or "", "slot": slot or "",
                "device": (described(link) or "").partition(", serial ")[0],
            })  # fmt: skip
        yield info
        yield self._gauge(
            "negotiated_speed_transfers_per_second", "Current link speed.", _speeds(self._links, now=True)
        )
        yield self._gauge(
            "possible_speed_transfers_per_second", "The best both ends can do.", _speeds(self._links, now=False)
        )
        yield self._gauge("negotiated_width_lanes", "Negotiated link width.", _widths(self._links, now=True))
        yield self._gauge("possible_width_lanes", "The best both ends can do.", _widths(self._links, now=False))
        yield self._gauge("widest_seen_width_lanes", "The widest this component was seen in this place.", self._seen())
        below = ((link, float(link.alarming and link.verdict.below_capability)) for link in self._links)
        yield self._gauge("below_capability", "1 for a link in a slot that is downtrained or capped.", below)
        yield self._gauge(
            "silent", "1 for a component that no longer answers.", ((x, float(x.silent)) for x in self._links)
        )
        errors = CounterMetricFamily(
            "linkprobe_link_errors", "Errors counted by the kernel since boot.", labels=[*_LINK, "severity"]
        )
        for link in self._links:
            for severity in Severity:
                count = link.errors.of(severity)
                if count is not None:
                    errors.add_metric([link.place_id, severity], count)
        yield errors

    def _seen(self) -> Iterator[tuple[LinkDocument, float]]:
        for link in self._links:
            if link.place_id in self._widest:
                yield link, float(self._widest[link.place_id])

    @staticmethod
    def _gauge(name: str, text: str, values: Iterable[tuple[LinkDocument, float]]) -> Metric:
        family = GaugeMetricFamily(f"linkprobe_link_{name}", text, labels=_LINK)
        for link, value in values:
            family.add_metric([link.place_id], value)
        return family

    def _of_the_run(self) -> Iterator[Metric]:
        yield GaugeMetricFamily(
            "linkprobe_collect_timestamp_seconds", "When the last run ended well.", self._run.taken_s
        )
        yield GaugeMetricFamily("linkprobe_collect_duration_seconds", "How long it took.", self._run.seconds)
        yield GaugeMetricFamily(
            "linkprobe_components_gone", "Components of the run before that are gone.", self._run.gone
        )
        hung = GaugeMetricFamily(
            "linkprobe_collect_hung", "1 for a function that did not answer in time.", labels=["function"]
        )
        if self._run.hung:
            hung.add_metric([self._run.hung], 1.0)
        yield hung


def _speeds(links: Iterable[LinkDocument], *, now: bool) -> Iterator[tuple[LinkDocument, float]]:
    for link in links:
        speed = (link.negotiated if now else link.possible).speed_gts
        if speed is not None:
            yield link, speed * _GIGA


def _widths(links: Iterable[LinkDocument], *, now: bool) -> Iterator[tuple[LinkDocument, float]]:
    for link in links:
        width = (link.negotiated if now else link.possible).width
        if width is not None:
            yield link, float(width)


def exposition(collected: Collected, *, openmetrics: bool) -> bytes:
    """The text: OpenMetrics, or the older text format that text-file directories and promtool read."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(collected)
    text: bytes = generate_openmetrics(registry) if openmetrics else generate_latest(registry)
    return text
