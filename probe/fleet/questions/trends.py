"""How the fleet went over weeks, for pictures."""

import ibis
import ibis.expr.types as ir

from probe.fleet.engine import Tables
from probe.fleet.questions.state import BELOW
from probe.links.kind_of_link import KindOfLink

_DAY_S = 86_400


def heard(tables: Tables) -> ir.Table:
    """How many hosts were heard of on each day."""
    beats = tables.beats
    return beats.group_by("day_s").agg(hosts=beats.host.nunique(), snapshots=beats.snapshots.sum()).order_by("day_s")


def erred(tables: Tables) -> ir.Table:
    """How many errors came on each day, by severity, and at how many links."""
    rises = tables.rises.mutate(day_s=(tables.rises.until_s / _DAY_S).floor().cast("int64") * _DAY_S)
    links = rises.host.concat(" ", rises.place_id).nunique()
    return rises.group_by("day_s", "severity").agg(events=rises.events.sum(), links=links).order_by("day_s", "severity")


def below_on(tables: Tables, days: list[int]) -> ir.Table:
    """How many links in slots ran below what both ends can do at the end of each of these days."""
    ends = ibis.memtable({"day_s": days}, schema={"day_s": "int64"})
    hosts = tables.hosts.select("host", "last_s")
    short = tables.links.filter(tables.links.verdict.isin(BELOW), tables.links.standing == KindOfLink.SLOT.value)
    short = short.inner_join(hosts, "host")
    short = short.select("host", "place_id", "from_s", until_s=ibis.coalesce(short.to_s, short.last_s))
    end_s = ends.day_s + _DAY_S
    joined = ends.inner_join(short, [short.from_s < end_s, short.until_s >= end_s - _DAY_S])
    return joined.group_by("day_s").agg(links=joined.count()).order_by("day_s")


def days_until(last_s: int, count: int) -> list[int]:
    """The first seconds of the last `count` days up to a time."""
    today = last_s - last_s % _DAY_S
    return [today - _DAY_S * back for back in range(count - 1, -1, -1)]
