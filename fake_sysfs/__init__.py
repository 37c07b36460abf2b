"""Builds /sys trees from a short description: for the tests, the demonstration machine, the benchmarks.

tree = machine(root_port("0000:00:01.0", "16 GT/s x16").holds(card("16 GT/s x16", trained="8 GT/s x4"))).build()
source = tree.source()            # in memory
tree.write(Path("/tmp/tree"))     # or as files
"""

from fake_sysfs.build import Machine, machine
from fake_sysfs.description import (
    Component,
    Function,
    Port,
    SlotRecord,
    State,
    card,
    port,
    root_port,
    switch,
)
from fake_sysfs.tree import Tree

__all__ = [
    "Component", "Function", "Machine", "Port", "SlotRecord", "State", "Tree", "card", "machine", "port", "root_port",
    "switch",
]  # fmt: skip
