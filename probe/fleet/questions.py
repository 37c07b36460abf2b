"""The questions, each written once as an Ibis expression over the store's rows and the same on every engine.

Every answer is ordered by all it takes to be the same each time. Times are seconds since 1970, UTC.
"""

from collections.abc import Callable

import ibis
import ibis.expr.types as ir

from probe.links.kind_of_link import KindOfLink
from probe.verdict.words import BELOW_CAPABILITY, Verdict

_BELOW = tuple(sorted(word.value for word in BELOW_CAPABILITY))
_AT_WORK = (*_BELOW, Verdict.FULL.value, Verdict.LIMITED.value)
_DAY_S = 86_400
_HALF = 0.5
_Z = 1.96
"""95 % of the normal distribution, for Wilson's interval."""


def latest(links: ir.Table) -> ir.Table:
    """Every link of each host's newest snapshot."""
    key = ("host", "file_id", "taken_s", "up_s")
    known = links.mutate(up_s=links.uptime_s.fill_null(-1))
    snapshots = known.select(*key).distinct()
    order = [snapshots.taken_s.desc(), snapshots.up_s.desc(), snapshots.file_id]
    ranked = snapshots.mutate(nth=ibis.row_number().over(ibis.window(group_by="host", order_by=order)))
    return known.semi_join(ranked.filter(ranked.nth == 0), key).drop("up_s")


def below(links: ir.Table) -> ir.Table:
    """Links in slots that run below what both ends can do now, with where to find them."""
    now = latest(links)
    found = now.filter(now.verdict.isin(_BELOW), now.standing == KindOfLink.SLOT.value)
    return found.select(
        "host", "place", "address", "component", "verdict", "speed_gts", "width", "possible_speed_gts",
        "possible_width", "reason", "taken_s",
    ).order_by("host", "place", "address")  # fmt: skip


def outliers(links: ir.Table) -> ir.Table:
    """Links whose state differs from what most of their peers reach: hosts of one board, one slot, one kind.

    Most: the lower end of Wilson's 95 % interval for the share of the commonest state is above one half, so that a
    group of less than eight with one odd member says nothing. Links at rest are no peers. Source: E. B. Wilson,
    J. Am. Stat. Assoc. 22 (1927) 209.
    """
    group = ("board", "place", "kind")
    now = latest(links)
    now = now.filter(now.verdict.isin(_AT_WORK), now.speed_gts.notnull(), now.width.notnull(), now.kind.notnull())
    now = now.mutate(board=now.board.fill_null("unknown board"))
    counted = now.group_by(*group, "speed_gts", "width").agg(alike=now.count())
    order = ibis.window(group_by=group, order_by=[counted.alike.desc(), counted.speed_gts.desc(), counted.width.desc()])
    sized = counted.mutate(nth=ibis.row_number().over(order), peers=counted.alike.sum().over(group_by=group))
    common = sized.filter(sized.nth == 0, _lower_bound(sized.alike, sized.peers) > _HALF)
    common = common.select(*group, peers="peers", alike="alike", usual_gts="speed_gts", usual_width="width")
    joined = now.inner_join(common, group)
    odd = joined.filter((joined.speed_gts != joined.usual_gts) | (joined.width != joined.usual_width))
    return odd.select(
        "host", "place", "address", "component", "board", "verdict", "speed_gts", "width", "usual_gts", "usual_width",
        "alike", "peers",
    ).order_by("host", "place", "address")  # fmt: skip


def _lower_bound(alike: ir.IntegerValue, peers: ir.IntegerValue) -> ir.FloatingValue:
    """The lower end of Wilson's interval for `alike` of `peers`."""
    n = peers.cast("float64")
    share = alike.cast("float64") / n
    spread = (share * (1 - share) / n + _Z**2 / (4 * n * n)).sqrt() * _Z
    return (share + _Z**2 / (2 * n) - spread) / (1 + _Z**2 / n)


def errors(links: ir.Table) -> ir.Table:
    """Links whose errors rose between snapshots, worst first: how many, over which time, how many on the last day.

    What a link had counted when it was first read is no rise. After a reboot, or where a counter began anew, the count
    is the least that came.
    """
    read = links.filter(ibis.or_(*(links[name].notnull() for name in _SEVERITIES)), links.identity.notnull())
    order = ibis.window(group_by=("host", "place_id"), order_by=["taken_s", "uptime_s", "file_id"])
    before = {name: read[name].lag().over(order) for name in ("taken_s", "boot_id", "identity", *_SEVERITIES)}
    seen = read.mutate(**{f"{name}_before": value for name, value in before.items()})
    seen = seen.filter(seen.taken_s_before.notnull())
    same = ibis.coalesce(seen.boot_id == seen.boot_id_before, ibis.literal(value=False))
    same &= seen.identity == seen.identity_before
    rise = {name: _rise(seen[name], seen[f"{name}_before"], same) for name in _SEVERITIES}
    seen = seen.mutate(span_s=seen.taken_s - seen.taken_s_before, **rise)
    last = seen.taken_s.max().over(group_by=("host",))
    seen = seen.mutate(lately=ibis.ifelse(seen.taken_s > last - _DAY_S, sum_of(seen), 0))
    summed = seen.group_by("host", "place", "address", "component").agg(
        fatal=seen.fatal.sum(), nonfatal=seen.nonfatal.sum(), correctable=seen.correctable.sum(),
        last_day=seen.lately.sum(), hours=seen.span_s.sum() / 3600,
    )  # fmt: skip
    summed = summed.filter(sum_of(summed) > 0)
    summed = summed.mutate(an_hour=(sum_of(summed) / summed.hours.nullif(0)).round(3))
    return summed.order_by(
        summed.fatal.desc(), summed.nonfatal.desc(), summed.correctable.desc(), "host", "place", "address"
    )


_SEVERITIES = ("fatal", "nonfatal", "correctable")


def sum_of(table: ir.Table) -> ir.IntegerValue:
    """All severities together."""
    return table.fatal + table.nonfatal + table.correctable


def _rise(now: ir.IntegerValue, before: ir.IntegerValue, same: ir.BooleanValue) -> ir.IntegerValue:
    """What came between two snapshots at the least; what was not read is no rise."""
    risen = ibis.ifelse(same & (now >= before), now - before, now)
    return ibis.ifelse(now.isnull() | (same & before.isnull()), 0, risen)


def history(links: ir.Table, host: str) -> ir.Table:
    """When each link of a host changed its verdict, state or component; the first row is how it was first seen."""
    mine = links.filter(links.host == host)
    order = ibis.window(group_by="place_id", order_by=["taken_s", "uptime_s", "file_id"])
    told = ("verdict", "speed_gts", "width", "identity")
    seen = mine.mutate(
        nth=ibis.row_number().over(order), **{f"{name}_before": mine[name].lag().over(order) for name in told}
    )
    changed = ibis.or_(*(~seen[name].identical_to(seen[f"{name}_before"]) for name in told))
    found = seen.filter((seen.nth == 0) | changed)
    return found.select(
        "place", "address", "verdict", "speed_gts", "width", "component", "identity", "reason", since_s="taken_s"
    ).order_by("place", "address", "since_s")


def inventory(links: ir.Table) -> ir.Table:
    """What is in the fleet's slots now and how it runs: hosts and links of each board, component and state."""
    now = latest(links)
    group = ("board", "component", "kind", "speed_gts", "width", "verdict")
    filled = now.filter(now.kind.notnull())
    return filled.group_by(*group).agg(hosts=filled.host.nunique(), links=filled.count()).order_by(*group)


QUESTIONS: dict[str, Callable[[ir.Table], ir.Table]] = {
    "below": below,
    "outliers": outliers,
    "errors": errors,
    "inventory": inventory,
}
