"""The rows that tell of one component, by its serial number: whole rows, of which `probe.fleet.whereabouts` tells."""

import ibis.expr.types as ir

from probe.fleet.engine import Tables
from probe.fleet.whereabouts import SERIAL, plain_serial


def occupants(tables: Tables, serial: str) -> ir.Table:
    """The places it was in."""
    return _of(tables.occupants, serial).order_by("from_s", "host", "place_id")


def hosts(tables: Tables, serial: str) -> ir.Table:
    """The hosts it was on."""
    named = occupants(tables, serial).select("host").distinct()
    return tables.hosts.semi_join(named, ["host"]).order_by("host")


def links(tables: Tables, serial: str) -> ir.Table:
    """Its links over time."""
    return _of(tables.links, serial).order_by("from_s", "host", "place_id")


def rises(tables: Tables, serial: str) -> ir.Table:
    """How its errors rose."""
    return _of(tables.rises, serial).order_by("since_s", "until_s", "host", "place_id", "severity", "family", "events")


def results(tables: Tables, serial: str) -> ir.Table:
    """What tests said of the places it was in, at whatever time."""
    places = occupants(tables, serial).select("host", "place_id").distinct()
    return tables.results.semi_join(places, ["host", "place_id"]).order_by("taken_s", "host", "place_id", "test")


def _of(rows: ir.Table, serial: str) -> ir.Table:
    plain = rows.identity.re_replace(f"^{SERIAL}", "").re_replace("-", "").lower()
    return rows.filter(rows.identity.startswith(SERIAL), plain == plain_serial(serial))
