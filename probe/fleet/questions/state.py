"""What is where now, what was, and who has gone silent."""

from collections.abc import Sequence

import ibis
import ibis.expr.types as ir
import pyarrow as pa

from probe.fleet.engine import Tables
from probe.links.kind_of_link import KindOfLink
from probe.verdict.verdicts import BELOW_CAPABILITY

BELOW = tuple(sorted(word.value for word in BELOW_CAPABILITY))
_GAPS = 3
_LEAST_SILENCE_S = 3_600


def surely(condition: ir.BooleanValue) -> ir.BooleanValue:
    """Whether it holds as far as is known; what was not read does not."""
    return ibis.coalesce(condition, ibis.literal(value=False))


def perhaps(condition: ir.BooleanValue) -> ir.BooleanValue:
    """Whether nothing that was read is against it."""
    return ibis.coalesce(condition, ibis.literal(value=True))


def current(hosts: ir.Table) -> ir.Table:
    """Hosts less those whose name a like machine took over after they were last heard of: reinstalled or renewed."""
    later = hosts.select("name", other_first_s="first_s", other_board="board", other_product="product")
    pairs = hosts.inner_join(later, "name")
    alike = ibis.and_(pairs.board == pairs.other_board, pairs.product == pairs.other_product)
    superseded = pairs.filter(pairs.other_first_s > pairs.last_s, perhaps(alike))
    return hosts.anti_join(superseded.select("host").distinct(), "host")


def now(tables: Tables) -> ir.Table:
    """Every link as it is, by each current host's last snapshot; `last_s` is when that was."""
    hosts = current(tables.hosts).select("host", "last_s")
    return tables.links.filter(tables.links.to_s.isnull()).inner_join(hosts, "host")


def below(tables: Tables) -> ir.Table:
    """Links in slots that run below what both ends can do now, with where to find them and since when."""
    links = now(tables)
    found = links.filter(links.verdict.isin(BELOW), links.standing == KindOfLink.SLOT.value)
    return found.select(
        "place", "address", "component", "verdict", "speed_gts", "width", "possible_speed_gts", "possible_width",
        "reason", host="name", machine="host", since_s="from_s", seen_s="last_s",
    ).order_by("host", "machine", "place", "address").relocate("host")  # fmt: skip


def inventory(tables: Tables) -> ir.Table:
    """What is in the fleet's slots now and how it runs: hosts and links of each board, component and state."""
    links = now(tables)
    group = ("board", "component", "kind", "speed_gts", "width", "verdict")
    filled = links.filter(links.kind.notnull())
    return filled.group_by(*group).agg(hosts=filled.host.nunique(), links=filled.count()).order_by(*group)


def history(tables: Tables, host: str) -> ir.Table:
    """What each link of a host was, from when to when; `host` is a name or a machine."""
    links = tables.links.filter((tables.links.name == host) | (tables.links.host == host))
    return links.select(
        "place", "address", "verdict", "speed_gts", "width", "component", "identity", "reason", since_s="from_s",
        until_s="to_s", machine="host",
    ).order_by("machine", "place", "address", "since_s")  # fmt: skip


def silent(tables: Tables, now_s: int, after_s: int | None = None) -> ir.Table:
    """Hosts not heard of for three times their usual gap (an hour at least), or `after_s`; and clocks that cannot be.

    `odd_clock`: a boot's wall clock cannot be right. `twins`: two machines answer to one id.
    """
    hosts = current(tables.hosts)
    quiet = hosts.mutate(silent_s=ibis.literal(now_s) - hosts.last_s)
    usual = ibis.greatest(quiet.usual_gap_s.fill_null(0) * _GAPS, ibis.literal(_LEAST_SILENCE_S))
    limit = usual if after_s is None else ibis.literal(after_s)
    found = quiet.filter((quiet.silent_s > limit) | quiet.odd_clock | quiet.twins)
    return found.select(
        "board", "snapshots", "odd_clock", "twins", host="name", machine="host", seen_s="last_s",
        silent_hours=(found.silent_s / 3600.0).round(1), is_silent=found.silent_s > limit,
    ).order_by("seen_s", "host", "machine").relocate("host")  # fmt: skip


def never_heard(answer: pa.Table, hosts: pa.Table, expected: Sequence[str]) -> pa.Table:
    """The answer to `silent` with the expected names that the store has never heard of, first."""
    known = set(hosts["name"].to_pylist())
    names = [name for name in sorted(set(expected)) if name not in known]
    rows = [{"host": name, "is_silent": True} for name in names]
    return pa.concat_tables([pa.Table.from_pylist(rows, schema=answer.schema), answer]) if rows else answer
