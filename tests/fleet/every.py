"""Every question by name, with arguments by which the messy fleet has something to answer."""

from probe.fleet.asking import Question
from probe.fleet.questions import peers, state, trends, trouble, whereabouts
from tests.fleet.messy import MESSY_NOW_S

EVERY: dict[str, Question] = {
    "below": state.below,
    "inventory": state.inventory,
    "history": lambda tables: state.history(tables, "r3-02"),
    "where": lambda tables: whereabouts.occupants(tables, f"{2602:016x}"),
    "where, hosts": lambda tables: whereabouts.hosts(tables, f"{2602:016x}"),
    "where, links": lambda tables: whereabouts.links(tables, f"{2602:016x}"),
    "where, rises": lambda tables: whereabouts.rises(tables, f"{0xA8E:016x}"),
    "where, results": lambda tables: whereabouts.results(tables, f"{0x515:016x}"),
    "silent": lambda tables: state.silent(tables, MESSY_NOW_S),
    "outliers": peers.outliers,
    "margins": peers.margins,
    "racks": lambda tables: peers.racks(tables, "^(r[0-9]+)-"),
    "trained": peers.trained,
    "compare": lambda tables: peers.compare(tables, "^r1-", "^r2-"),
    "errors": trouble.errors,
    "flapping": trouble.flapping,
    "results": trouble.results,
    "heard": trends.heard,
    "erred": trends.erred,
    "below on": lambda tables: trends.below_on(tables, [MESSY_NOW_S - MESSY_NOW_S % 86_400 - 86_400]),
}
