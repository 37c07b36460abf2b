"""Every command: its name, its line in the help and its group. Its module is named as it is, and loaded when called."""

from enum import StrEnum

import msgspec


class Group(StrEnum):
    """What a person wants; the headings of the help, in its order."""

    LOOK = "Look"
    COMPARE = "Compare"
    LOAD = "Put under load"
    ACTIVE = "Test by writing to hardware"
    WATCH_OVER = "Watch over"
    CALCULATE = "Calculate"


class Command(msgspec.Struct, frozen=True):
    """One command, or a group of them where `parts` has some. `help` is the first line of its function's docstring.

    `module` is where a part lives that is not with its group's others, as it needs what they do not.
    """

    name: str
    help: str
    group: Group | None = None
    parts: tuple["Command", ...] = ()
    module: str = ""

    @property
    def function(self) -> str:
        """The name of its function, and of its module where it is no part of another."""
        return self.name.replace("-", "_")


_EXPECT = (
    Command("write", "Turn a known-good machine into a TOML file that a person can read and edit."),
    Command("check", "Audit a machine and hold it to a file of expectations."),
)
_FLEET = (
    Command("ingest", "Take snapshots and test records into the store, each once."),
    Command("below", "Show links in slots that run below what both ends can do now."),
    Command("outliers", "Show links that differ from what most of their peers reach."),
    Command("racks", "Show racks that are short as a whole, held against all racks of the same board."),
    Command("errors", "Show links whose errors rose between snapshots, worst first, and which exceed a limit."),
    Command("flapping", "Show links that changed their state back and forth, twice at least."),
    Command("silent", "Show hosts that are not heard of any more or never were."),
    Command("history", "Show what each link of a host was, from when to when."),
    Command("where", "Show where a component was, from when to when, and how it ran there."),
    Command("trained", "Show how often each slot and model came up short over its boots."),
    Command("compare", "Compare two groups of hosts: what they hold, how much of it is short, and how it errs."),
    Command("inventory", "Show what is in the fleet's slots and how it runs."),
    Command("results", "Show what the newest soak or other test said of each link."),
    Command("page", "Write one self-contained page of the fleet.", module="fleet_page"),
    Command("compact", "Make the store small: keep of old history what changed, and each day."),
    Command("expire", "Let go of what was seen longer ago."),
    Command("forget", "Leave nothing of a host in the store."),
    Command("simulate", "Write spools of a made-up fleet with faults planted, which planted.csv lists."),
)

COMMANDS: tuple[Command, ...] = (
    Command("audit", "Judge every PCI Express link of a machine.", Group.LOOK),
    Command(
        "explain",
        "Show one link in full: both ends, the path to the root, every reason, and what to do next.",
        Group.LOOK,
    ),
    Command(
        "paths",
        "Show the ways between accelerators, network adapters and drives: where they turn, what they can carry.",
        Group.LOOK,
    ),
    Command("snapshot", "Save the evidence of this machine to a file, whole or not at all.", Group.LOOK),
    Command("capture-script", "Print a shell script that collects evidence where there is no Python.", Group.LOOK),
    Command("log", "Show what the kernel's log says of PCI Express.", Group.LOOK),
    Command("report", "Write a document as one self-contained page, without scripts, printable to A4.", Group.LOOK),
    Command("demo", "Audit the bundled demonstration machine.", Group.LOOK),
    Command("self-check", "Say what this installation can read and do here.", Group.LOOK),
    Command("completion", "Print what completes linkprobe in a shell: commands, options, addresses.", Group.LOOK),
    Command("diff", "Compare a machine before and after a load, a change or a swap.", Group.COMPARE),
    Command("history", "Show how each link trained over boots.", Group.COMPARE),
    Command("batch", "Hold machines of one model against each other: which cell is odd, and why.", Group.COMPARE),
    Command(
        "where", "Show in which host and slot a component was, from when to when, and how it ran there.", Group.COMPARE
    ),
    Command("expect", "Hold a machine to what it should be.", Group.COMPARE, _EXPECT),
    Command("soak", "Put links under load, or accompany a load, and judge them by it.", Group.LOAD),
    Command("watch", "Watch links without a load.", Group.LOAD),
    Command("train", "Train links again and again, and count how often they come up short.", Group.ACTIVE),
    Command(
        "speeds",
        "Take links through every speed that both ends support: does each train, carry data, stay clean.",
        Group.ACTIVE,
    ),
    Command("margin", "Measure how open the eye of every lane is, by the receivers' own lane margining.", Group.ACTIVE),
    Command("qualify", "Carry out a plan of tests, step after step, and write the record of it.", Group.ACTIVE),
    Command(
        "verify", "Say whether a record is whole, and whether its judgement follows from its journal.", Group.ACTIVE
    ),
    Command("put-back", "Put back what an active test that was killed left behind.", Group.ACTIVE),
    Command("collect", "Run once for cron or a timer: keep a snapshot, tell monitoring.", Group.WATCH_OVER),
    Command("fleet", "Ask one question of many hosts.", Group.WATCH_OVER, _FLEET),
    Command("schema", "Print the JSON Schema of a document, or the names of all documents.", Group.WATCH_OVER),
    Command(
        "decode", "Decode a config space: raw bytes, or any text of offsets and hexadecimal bytes.", Group.CALCULATE
    ),
    Command("ceiling", "Show what a link can carry, one direction, step by step.", Group.CALCULATE),
    Command("ratio", "Calculate a bit error ratio with exact bounds.", Group.CALCULATE),
)
