"""Links held against their like: hosts of one board, one way of wiring, one kind of component.

A place is known by how it is wired, not by what firmware calls it or which bus number it has.
"""

import ibis
import ibis.expr.types as ir

from probe.fleet.engine import Tables
from probe.fleet.questions.state import BELOW, current, now, surely
from probe.links.kind_of_link import KindOfLink
from probe.verdict.verdicts import Verdict

_AT_WORK = (*BELOW, Verdict.FULL.value, Verdict.LIMITED.value)
_HALF = 0.5
_Z = 1.96
"""95 % of the normal distribution, for Wilson's interval."""

_GROUP = ("board", "place_id", "kind")
_LEAST_PEERS = 8
_UNKNOWN_BOARD = "unknown board"
_FAR = 5.0
"""How many times the middle deviation a margin must lie below the middle one to be told."""


def at_work(tables: Tables) -> ir.Table:
    """Links that run now and are known well enough to be held against others; one at rest is no peer."""
    links = now(tables)
    links = links.filter(
        links.verdict.isin(_AT_WORK), links.speed_gts.notnull(), links.width.notnull(), links.kind.notnull()
    )
    return links.mutate(board=links.board.fill_null(_UNKNOWN_BOARD))


def outliers(tables: Tables) -> ir.Table:
    """Links whose state differs from what most of their peers reach.

    Most: the lower end of Wilson's 95 % interval for the share of the commonest state is above one half, so that a
    group of less than eight with one odd member says nothing. Source: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209.
    """
    links = at_work(tables)
    joined = links.inner_join(_usual(links, _GROUP), _GROUP)
    odd = joined.filter((joined.speed_gts != joined.usual_gts) | (joined.width != joined.usual_width))
    return odd.select(
        "place", "address", "component", "board", "verdict", "speed_gts", "width", "usual_gts", "usual_width", "alike",
        "peers", host="name", machine="host",
    ).order_by("host", "machine", "place", "address").relocate("host")  # fmt: skip


def _usual(links: ir.Table, group: tuple[str, ...]) -> ir.Table:
    """The commonest state of each group, where most of it is in that state."""
    counted = links.group_by(*group, "speed_gts", "width").agg(alike=links.count())
    order = ibis.window(group_by=group, order_by=[counted.alike.desc(), counted.speed_gts.desc(), counted.width.desc()])
    sized = counted.mutate(nth=ibis.row_number().over(order), peers=counted.alike.sum().over(group_by=group))
    common = sized.filter(sized.nth == 0, lower_bound(sized.alike, sized.peers) > _HALF)
    return common.select(*group, peers="peers", alike="alike", usual_gts="speed_gts", usual_width="width")


def lower_bound(alike: ir.NumericValue, peers: ir.NumericValue) -> ir.FloatingValue:
    """The lower end of Wilson's interval for `alike` of `peers`."""
    return _bound(alike, peers, -_Z)


def upper_bound(alike: ir.NumericValue, peers: ir.NumericValue) -> ir.FloatingValue:
    """The upper end of it."""
    return _bound(alike, peers, _Z)


def _bound(alike: ir.NumericValue, peers: ir.NumericValue, z: float) -> ir.FloatingValue:
    n = peers.cast("float64").nullif(0)
    share = alike.cast("float64") / n
    spread = (share * (1 - share) / n + z * z / (4 * n * n)).sqrt() * z
    return (share + z * z / (2 * n) + spread) / (1 + z * z / n)


def margins(tables: Tables) -> ir.Table:
    """Links whose timing margin is far below that of their peers, by the newest test of each.

    Far: more than five times the middle absolute deviation below the middle, of eight peers at least.
    """
    results = tables.results.filter(tables.results.margin_ui.notnull())
    order = ibis.window(group_by=("host", "place_id"), order_by=[results.taken_s.desc(), results.margin_ui])
    newest = results.mutate(nth=ibis.row_number().over(order), board=results.board.fill_null(_UNKNOWN_BOARD))
    newest = newest.filter(newest.nth == 0)
    middled = newest.mutate(
        middle=newest.margin_ui.median().over(group_by=_GROUP), peers=newest.count().over(group_by=_GROUP)
    )
    off = middled.mutate(off=(middled.middle - middled.margin_ui).abs())
    spread = off.mutate(deviation=off.off.median().over(group_by=_GROUP))
    low = spread.filter(
        spread.peers >= _LEAST_PEERS, spread.middle - spread.margin_ui > spread.deviation * _FAR,
        spread.middle - spread.margin_ui > 0,
    )  # fmt: skip
    return (
        low.select(
            "place",
            "board",
            "kind",
            "margin_ui",
            "peers",
            host="name",
            machine="host",
            usual_ui="middle",
            seen_s="taken_s",
        )
        .order_by("host", "machine", "place")
        .relocate("host")
    )


def racks(tables: Tables, pattern: str) -> ir.Table:
    """Racks whose links are usually slower than those of all other racks of their board, wiring and kind.

    Within such a rack peers cannot tell: they are all short. `pattern` names the rack: what its first group matches in
    the host's name.
    """
    links = at_work(tables)
    named = links.mutate(rack=links.name.re_extract(pattern, 1))
    named = named.filter(named.rack.notnull(), named.rack != "")
    group = (*_GROUP, "rack")
    own = _usual(named, group).rename(
        rack_gts="usual_gts", rack_width="usual_width", rack_links="peers", rack_alike="alike"
    )
    counted = named.group_by(*group, "speed_gts", "width").agg(here=named.count())
    whole = named.group_by(*_GROUP, "speed_gts", "width").agg(everywhere=named.count())
    mine = counted.select(*group).distinct().inner_join(whole, _GROUP)
    others = mine.left_join(counted, [*group, "speed_gts", "width"])
    others = others.select(*group, "speed_gts", "width", elsewhere=others.everywhere - others.here.fill_null(0))
    order = ibis.window(
        group_by=group, order_by=[others.elsewhere.desc(), others.speed_gts.desc(), others.width.desc()]
    )
    sized = others.mutate(nth=ibis.row_number().over(order), all_others=others.elsewhere.sum().over(group_by=group))
    usual = sized.filter(sized.nth == 0, lower_bound(sized.elsewhere, sized.all_others) > _HALF)
    usual = usual.select(*group, usual_gts="speed_gts", usual_width="width", others="all_others")
    joined = own.inner_join(usual, group)
    names = named.group_by(*group).agg(place=named.place.min(), component=named.component.min())
    short = joined.filter(joined.rack_gts * joined.rack_width < joined.usual_gts * joined.usual_width)
    told = short.inner_join(names, group)
    return told.select(
        "rack", "place", "component", "board", "usual_gts", "usual_width", "rack_links", "others",
        speed_gts="rack_gts", width="rack_width",
    ).order_by("rack", "board", "place", "component")  # fmt: skip


def trained(tables: Tables) -> ir.Table:
    """How often each slot and model came up short over its boots, the surest first, with Wilson's 95 % interval."""
    seen = tables.occupants.filter(tables.occupants.kind.notnull(), tables.occupants.standing == KindOfLink.SLOT.value)
    seen = seen.mutate(board=seen.board.fill_null(_UNKNOWN_BOARD))
    group = ("board", "place", "component", "kind")
    summed = seen.group_by(*group).agg(
        hosts=seen.host.nunique(), boots=seen.boots.sum(), short=seen.short.sum(), hosts_short=(seen.short > 0).sum()
    )
    summed = summed.filter(summed.short > 0)
    told = summed.mutate(
        share=(summed.short / summed.boots).round(4),
        share_low=lower_bound(summed.short, summed.boots).round(4),
        share_high=upper_bound(summed.short, summed.boots).round(4),
    )
    return told.order_by(told.share_low.desc(), *group)


def compare(tables: Tables, one: str, other: str) -> ir.Table:
    """Two groups of hosts, each by a pattern of names, side by side: what is in them, how much is short, what erred.

    `differs`: the 95 % intervals of the shares that run short do not touch, by Wilson.
    """
    links = now(tables)
    slots = links.filter(links.kind.notnull(), links.standing == KindOfLink.SLOT.value, links.verdict.isin(_AT_WORK))
    sides = [_side(tables, slots, pattern, side) for pattern, side in ((one, "a"), (other, "b"))]
    joined = sides[0].outer_join(sides[1], "kind")
    merged = joined.select(
        component=ibis.coalesce(joined.component_a, joined.component_b),
        kind=ibis.coalesce(joined.kind, joined.kind_right),
        **{
            f"{what}_{side}": joined[f"{what}_{side}"].fill_null(0)
            for side in "ab"
            for what in ("hosts", "links", "short", "errors", "hours")
        },
    )  # fmt: skip
    low_a, high_a = lower_bound(merged.short_a, merged.links_a), upper_bound(merged.short_a, merged.links_a)
    low_b, high_b = lower_bound(merged.short_b, merged.links_b), upper_bound(merged.short_b, merged.links_b)
    told = merged.mutate(differs=surely((low_a > high_b) | (low_b > high_a)))
    return told.order_by(told.differs.desc(), "component", "kind")


def _side(tables: Tables, slots: ir.Table, pattern: str, side: str) -> ir.Table:
    """One group, by kind of component."""
    mine = slots.filter(slots.name.re_search(pattern))
    counted = mine.group_by("kind").agg(
        component=mine.component.min(),
        hosts=mine.host.nunique(),
        links=mine.count(),
        short=mine.verdict.isin(BELOW).sum(),
    )
    hosts = current(tables.hosts).select("host", "last_s")
    seen = tables.occupants.filter(tables.occupants.name.re_search(pattern)).inner_join(hosts, "host")
    watched = seen.watched_s + ibis.coalesce(seen.last_s - seen.watched_since_s, 0)
    hours = seen.mutate(watched=watched).group_by("kind").agg(hours=lambda t: (t.watched.sum() / 3600.0).round(1))
    kinds = seen.select("host", "place_id", "identity", "kind").distinct()
    rises = tables.rises.inner_join(kinds, ["host", "place_id", "identity"])
    erred = rises.group_by("kind").agg(errors=rises.events.sum())
    joined = counted.left_join(hours, "kind").drop("kind_right").left_join(erred, "kind").drop("kind_right")
    return joined.select(
        "kind",
        **{f"{name}_{side}": joined[name] for name in ("component", "hosts", "links", "short", "errors", "hours")},
    )
