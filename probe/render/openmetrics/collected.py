"""What a host's monitoring is told, with names and units as OpenMetrics asks, written by the official client library.

Few series a link: states as numbers in base units, what names a link in one `_info` series, errors by severity.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence

import msgspec
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily, Metric
from prometheus_client.exposition import generate_latest
from prometheus_client.openmetrics.exposition import generate_latest as generate_openmetrics
from prometheus_client.registry import Collector, CollectorRegistry

from probe.active.last import LastResult
from probe.audit.document import LinkDocument
from probe.audit.names import described
from probe.foreign_text import made_plain
from probe.registers.errors import Severity
from probe.render.openmetrics import tested
from probe.verdict.verdicts import Verdict

_LINK = ["place"]
RUNS, POSSIBLE, WIDEST = "runs", "possible", "widest"
_SLOW_WHEN_IDLE = ("0x03", "0x12")
"""Base classes of display controllers and processing accelerators (PCI Code and ID Assignment Specification)."""


class RunFigures(msgspec.Struct, frozen=True, kw_only=True):
    """What is told of a run: when the last one ended well, how long this took, what hung, how many are missing."""

    taken_s: float
    seconds: float
    hung: tuple[str, ...] = ()
    gone: int = 0


class Collected(Collector):
    """One run's links and figures, as metrics."""

    def __init__(
        self,
        links: Sequence[LinkDocument],
        widest: dict[str, int],
        run: RunFigures,
        results: Sequence[LastResult] = (),
    ) -> None:
        self._links = [made_plain(link) for link in links if link.component is not None]
        self._widest = made_plain(widest)
        self._run = made_plain(run)
        self._results = [made_plain(item) for item in results]

    def collect(self) -> Iterator[Metric]:
        """Every metric."""
        yield from self._of_links()
        yield from tested.metrics(self._results)
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
        yield self._by_state(
            "line_bytes_per_second", "One direction, after line encoding: as it runs, and the best both ends can do.",
            {RUNS: _rates(self._links, now=True), POSSIBLE: _rates(self._links, now=False)},
        )  # fmt: skip
        yield self._by_state(
            "lanes", "Link width: as it runs, the best both ends can do, and the widest seen of this component here.",
            {RUNS: _widths(self._links, now=True), POSSIBLE: _widths(self._links, now=False), WIDEST: self._seen()},
        )  # fmt: skip
        below = ((link, float(_is_below(link))) for link in self._links)
        text = "1 for a link in a slot that is downtrained or capped, 0 too where it may only be idle."
        yield self._gauge("below_capability", text, below)
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

    @staticmethod
    def _by_state(name: str, text: str, values: Mapping[str, Iterable[tuple[LinkDocument, float]]]) -> Metric:
        family = GaugeMetricFamily(f"linkprobe_link_{name}", text, labels=[*_LINK, "state"])
        for state, listed in values.items():
            for link, value in listed:
                family.add_metric([link.place_id, state], value)
        return family

    def _of_the_run(self) -> Iterator[Metric]:
        yield GaugeMetricFamily(
            "linkprobe_collect_timestamp_seconds", "When the last run ended well.", self._run.taken_s
        )
        yield GaugeMetricFamily("linkprobe_collect_duration_seconds", "How long it took.", self._run.seconds)
        yield GaugeMetricFamily(
            "linkprobe_components_gone", "Components that went by themselves and are not back.", self._run.gone
        )
        hung = GaugeMetricFamily(
            "linkprobe_collect_hung", "1 for a function that did not answer in time.", labels=["function"]
        )
        for function in self._run.hung:
            hung.add_metric([function], 1.0)
        yield hung


def _is_below(link: LinkDocument) -> bool:
    """Below capability and sure of it: a display or accelerator function that is only slow may be idle in D0."""
    if not (link.alarming and link.verdict.below_capability):
        return False
    only_slow = link.verdict is Verdict.DOWNTRAINED and link.shortfall == ("speed",)
    of = link.component.class_code if link.component is not None else None
    return not (only_slow and of is not None and of.startswith(_SLOW_WHEN_IDLE))


def _rates(links: Iterable[LinkDocument], *, now: bool) -> Iterator[tuple[LinkDocument, float]]:
    for link in links:
        rate = link.bandwidth.negotiated_bytes_s if now else link.bandwidth.possible_bytes_s
        if rate is not None:
            yield link, float(rate)


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
