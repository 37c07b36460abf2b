"""What tests that write to hardware last said of each link, as metrics."""

from collections.abc import Callable, Iterable, Iterator

from prometheus_client.core import GaugeMetricFamily, Metric

from probe.active.last import LastResult
from probe.result import Result

_OF_ALL = ["place", "test"]


def metrics(results: Iterable[LastResult]) -> Iterator[Metric]:
    """Every metric of the last results."""
    found = tuple(results)
    states = GaugeMetricFamily(
        "linkprobe_link_test_result", "1 for the result of the last test of the link, 0 for the others.",
        labels=[*_OF_ALL, "result"],
    )  # fmt: skip
    for item in found:
        for result in Result:
            states.add_metric([item.place_id, item.test, result.value], float(item.result is result))
    yield states
    yield _of_all("timestamp_seconds", "When the last test of the link began.", found, lambda item: item.taken_s)
    text = "1 where the link and all that was written is as it was after the last test."
    yield _of_all("whole", text, found, lambda item: float(item.whole))
    for name, text, value in _FIGURES:
        family = GaugeMetricFamily(f"linkprobe_link_{name}", text, labels=["place"])
        for item in found:
            amount = value(item)
            if amount is not None:
                family.add_metric([item.place_id], amount)
        yield family


def _of_all(name: str, text: str, found: Iterable[LastResult], value: Callable[[LastResult], float]) -> Metric:
    family = GaugeMetricFamily(f"linkprobe_link_test_{name}", text, labels=_OF_ALL)
    for item in found:
        family.add_metric([item.place_id, item.test], value(item))
    return family


_FIGURES: tuple[tuple[str, str, Callable[[LastResult], float | None]], ...] = (
    ("trainings", "Trainings that the last train observed.", lambda item: item.trainings),
    ("trainings_short", "How many of them came up short.", lambda item: item.short),
    ("margin_unit_intervals", "The least margin in time of any lane, nominal, by the last margin.",
     lambda item: item.margin_ui),
    ("margin_volts", "The least margin in voltage of any lane, nominal, by the last margin.",
     lambda item: item.margin_volts),
)  # fmt: skip
