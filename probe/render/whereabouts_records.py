"""The stays of a component as flat records, in one order for every medium."""

from collections.abc import Iterator

from probe.fleet.whereabouts import Stay, Test, Whereabouts

COLUMNS = (
    "host", "place", "component", "since_s", "until_s", "boots", "short", "speed_gts", "width", "correctable",
    "uncorrectable", "tests", "ran_at", "verdict", "seen_s", "address", "identity", "machine", "place_id",
)  # fmt: skip


def records(document: Whereabouts) -> Iterator[dict[str, object]]:
    """A record a stay."""
    for stay in document.stays:
        values = {name: getattr(stay, name) for name in COLUMNS if name not in {"tests", "ran_at"}}
        told = {**values, "tests": _tests(stay) or None, "ran_at": "; ".join(stay.states) or None}
        yield {name: told[name] for name in COLUMNS}


def _tests(stay: Stay) -> str:
    return "; ".join(_test(item) for item in stay.tests)


def _test(item: Test) -> str:
    if item.margin_ui is not None:
        return f"{item.test} {item.result} ({item.margin_ui:.3f} UI)"
    if item.trainings is not None:
        return f"{item.test} {item.result} ({item.trainings_short} of {item.trainings} short)"
    return f"{item.test} {item.result}"
