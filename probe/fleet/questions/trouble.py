"""Errors, links that come and go, and what tests said."""

import ibis
import ibis.expr.types as ir
import pyarrow as pa

from probe.errors.bit_error_ratio import interval
from probe.errors.limits import Limit, Limits
from probe.fleet.engine import Tables
from probe.fleet.growth import DATA, LINK
from probe.fleet.questions.state import current, surely
from probe.links.kind_of_link import KindOfLink
from probe.verdict.verdicts import Verdict

_DAY_S = 86_400
_HOUR_S = 3_600.0
_LINK = ("host", "place_id", "identity")
_CONFIDENCE = 0.95
_DIGITS = 6
_NO_STATE = (Verdict.RESTING.value, Verdict.UNJUDGED.value)
FLAPS = 4
"""Changes of state by which a link flaps: twice there and back."""


def errors(tables: Tables, limits: Limits | None = None) -> ir.Table:
    """Links whose errors rose: how many, on the host's last day, over which watched time, and the worst window.

    What a counter had counted when it was first read is no rise. `window` is the most in any time of a limit's length,
    as far as snapshots tell when: errors between two that lie further apart are spread evenly. Finish with `rated`.
    """
    limits = limits or Limits()
    hosts = current(tables.hosts).select("host", "last_s")
    rises = tables.rises.inner_join(hosts, "host")
    rises = rises.mutate(identity=rises.identity.fill_null(""))
    lately = ibis.ifelse(rises.until_s > rises.last_s - _DAY_S, rises.events, 0)
    of = {name: ibis.ifelse(rises.severity == name, rises.events, 0) for name in ("fatal", "nonfatal", "correctable")}
    counted = rises.mutate(lately=lately, **of)
    summed = counted.group_by(*_LINK, "name", "place", "address").agg(
        component=counted.component.max(), fatal=counted.fatal.sum(), nonfatal=counted.nonfatal.sum(),
        correctable=counted.correctable.sum(), last_day=counted.lately.sum(), at_least=counted.at_least.max(),
        last_s=counted.until_s.max(),
    )  # fmt: skip
    for kind, limit in ((LINK, limits.correctable), (DATA, limits.data)):
        worst = _worst(rises.filter(rises.family == kind), limit).rename({f"{kind}_window": "worst"})
        summed = summed.left_join(worst, _LINK).drop(*(f"{name}_right" for name in _LINK))
    seen = tables.occupants.inner_join(hosts, "host")
    watched = seen.watched_s + ibis.coalesce(seen.last_s - seen.watched_since_s, 0)
    times = seen.mutate(watched=watched, identity=seen.identity.fill_null(""))
    times = times.group_by(*_LINK).agg(hours=lambda t: t.watched.sum() / _HOUR_S)
    joined = summed.left_join(times, _LINK)
    return joined.select(
        "place", "address", "component", "fatal", "nonfatal", "correctable", "last_day", "at_least",
        over_link=surely(joined.link_window >= limits.correctable.count),
        over_data=surely(joined.data_window >= limits.data.count),
        link_window=joined.link_window.round(3), data_window=joined.data_window.round(3),
        hours=joined.hours.round(3), host="name", machine="host", identity="identity", seen_s="last_s",
    ).order_by("host", "machine", "place", "address", "identity").relocate("host")  # fmt: skip


def _worst(rises: ir.Table, limit: Limit) -> ir.Table:
    """The most errors of each link in any window of the limit's length that surely holds them."""
    length = round(limit.hours * _HOUR_S)
    span = rises.until_s - rises.since_s
    weighed = rises.mutate(
        weight=ibis.ifelse(span > length, rises.events * length / span, rises.events.cast("float64"))
    )
    frame = ibis.range_window(preceding=length, following=0, group_by=_LINK, order_by="until_s")
    inside = weighed.mutate(
        together=weighed.weight.sum().over(frame),
        first_since_s=weighed.since_s.min().over(frame),
    )
    # Rises do not overlap, so only the first of a window can have begun before it: it is taken off.
    first = weighed.select(*_LINK, first_since_s="since_s", first_until_s="until_s", first_weight="weight")
    first = first.group_by(*_LINK, "first_since_s").agg(
        first_until_s=first.first_until_s.max(), first_weight=first.first_weight.sum()
    )
    joined = inside.left_join(first, [*_LINK, "first_since_s"])
    straddles = ibis.and_(joined.first_since_s < joined.until_s - length, joined.first_until_s < joined.until_s)
    sure = joined.together - ibis.ifelse(straddles, joined.first_weight, 0.0)
    return joined.mutate(sure=sure).group_by(*_LINK).agg(worst=lambda t: t.sure.max())


def rated(answer: pa.Table) -> pa.Table:
    """The answer to `errors` with rates an hour and their exact 95 % interval (Garwood), the surest trouble first."""
    rows = answer.to_pylist()
    for row in rows:
        total = row["fatal"] + row["nonfatal"] + row["correctable"]
        hours = row["hours"]
        low, high = interval(min(total, _MANY), _CONFIDENCE) if hours else (None, None)
        scale = total / min(total, _MANY)
        row["an_hour"] = round(total / hours, _DIGITS) if hours else None
        row["an_hour_low"] = None if low is None else round(low * scale / hours, _DIGITS)
        row["an_hour_high"] = None if high is None else round(high * scale / hours, _DIGITS)
    rows.sort(key=_worst_first)
    rates = [pa.field(name, pa.float64()) for name in ("an_hour", "an_hour_low", "an_hour_high")]
    return pa.Table.from_pylist(rows, schema=pa.schema([*answer.schema, *rates]))


_MANY = 10_000
"""From so many on the interval's width does not matter, and it is not calculated exactly."""


def _worst_first(row: dict[str, object]) -> tuple[object, ...]:
    over = bool(row["over_link"]) or bool(row["over_data"])
    low = row["an_hour_low"]
    return (
        -int(str(row["fatal"])), -int(str(row["nonfatal"])), not over, -(float(str(low)) if low is not None else 0.0),
        row["host"], row["machine"], row["place"], row["address"], row["identity"],
    )  # fmt: skip


def flapping(tables: Tables, days: int = 7) -> ir.Table:
    """Links in slots that changed their state back and forth in a host's last days, at least twice there and back.

    Rest is no state of its own, and another component in the slot is no change of the link.
    """
    hosts = current(tables.hosts).select("host", "last_s")
    links = tables.links.filter(
        tables.links.standing == KindOfLink.SLOT.value, ~tables.links.verdict.isin(_NO_STATE)
    ).inner_join(hosts, "host")
    order = ibis.window(group_by=("host", "place_id"), order_by="from_s")
    told = ("verdict", "speed_gts", "width", "silent", "identity")
    seen = links.mutate(**{f"{name}_before": links[name].lag().over(order) for name in told})
    state = [~seen[name].identical_to(seen[f"{name}_before"]) for name in ("speed_gts", "width", "silent", "verdict")]
    same = seen.identity.isnull() | seen.identity_before.isnull() | (seen.identity == seen.identity_before)
    changed = seen.filter(
        ibis.or_(*state), same, seen.verdict_before.notnull(), seen.from_s > seen.last_s - days * _DAY_S
    )
    counted = changed.group_by("host", "name", "place_id").agg(
        place=changed.place.max(), address=changed.address.max(), component=changed.component.max(),
        changes=changed.count(), since_s=changed.from_s.min(), seen_s=changed.from_s.max(),
    )  # fmt: skip
    found = counted.filter(counted.changes >= FLAPS)
    return (
        found.select("place", "address", "component", "changes", "since_s", "seen_s", host="name", machine="host")
        .order_by(ibis.desc("changes"), "host", "machine", "place")
        .relocate("host")
    )


def results(tables: Tables) -> ir.Table:
    """What the newest test of each kind said of each link; failed ones first."""
    told = tables.results
    order = ibis.window(group_by=("host", "place_id", "test"), order_by=[told.taken_s.desc(), told.result])
    newest = told.mutate(nth=ibis.row_number().over(order))
    newest = newest.filter(newest.nth == 0)
    return (
        newest.select(
            "place",
            "test",
            "result",
            "reasons",
            "margin_ui",
            "margin_volts",
            "trainings",
            "trainings_short",
            host="name",
            machine="host",
            seen_s="taken_s",
        )
        .order_by("result", "host", "machine", "place", "test")
        .relocate("host")
    )
