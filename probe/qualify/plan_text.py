"""A plan for a machine from what is in it, as TOML with a comment for the person who edits it. Pure.

What reads stands as steps; what writes to hardware stands as comments, since somebody has to decide that.
"""

from collections.abc import Iterator, Sequence

from probe.audit.document import LinkDocument
from probe.audit.names import described, title
from probe.audit.verdict_headline import headline
from probe.foreign_text import plain, toml
from probe.links.kind_of_link import KindOfLink
from probe.schemas import Schema

_MARGINED_GTS = (16.0, 32.0)

_HEAD = """\
# A plan for linkprobe qualify, written by linkprobe from {source}.
# Edit it freely, then see what it would do and how long it takes:
#     linkprobe qualify THIS.toml --dry-run
# Every key is described in linkprobe-plan(5). Files are named from beside this one.
# A line that begins with # and no blank is a key or a step to take in: take the # away.

schema = "{schema}"
title = "Qualification of {host}"

# What a person has to tell with --field NAME=...: operator, ticket, rack, riser, cable, ambient temperature, anything.
fields = ["operator"]

# What ends the plan before its last step: "urgent", "failed", "inconclusive".
stop_on = ["urgent"]

# Go on by itself after a crash or a power cut too, through a unit of systemd.
#goes_on_at_boot = true

# The temperature that no component may reach, degrees Celsius. A machine without sensors makes steps inconclusive then.
#hottest_c = 85

# How often all of it is done.
#rounds = 1

# What may be lost in steps that write to hardware. The command line has to say the same: --go --accept link-loss
#accept = ["link-loss"]

# What was asked and for whom; it stands on the record as it is here.
#[asked]
#customer = ""
"""

_EXPECTATIONS = """\
# Hold the machine to what it should be; linkprobe expect write -o expectations.toml makes such a file.
#[[step]]
#kind = "expectations"
#file = "expectations.toml"
"""

_TRAININGS = """\
# Train links again and again, and count how often they come up short. Writes to hardware: data on its way may be lost.
#[[step]]
#kind = "trainings"
#links = {links}
#way = "retrain"
#times = 100
#most_short = 0
"""

_SPEEDS = """\
# Every speed that both ends support: does each train, carry data, stay clean. Writes to hardware.
#[[step]]
#kind = "speeds"
#links = {links}
#seconds = 10
"""

_MARGINS = """\
# How open the eye of every lane is, at links that run at 16 or 32 GT/s. Writes to hardware.
# No limit holds for all devices: without at_least_ui and at_least_volts, lanes are compared with each other.
#[[step]]
#kind = "margins"
#links = {links}
#seconds = 1
"""

_NO_MARGINS = "# No link here runs at 16 or 32 GT/s with lane margining, so there is no step for margins.\n"

_SOAK = """\
# Links under load. Minutes are enough for the bit error ratio; hours buy heat and rare trainings.
[[step]]
kind = "soak"
minutes = 30
loads = {loads}
correctable = "6/2h"
# The share of its ceiling that each way of a link has to carry. Drives may be slower than links: none holds unasked.
#at_least = 0.7
"""

_NO_LOAD = """\
# linkprobe finds nothing here that it can drive itself. Run your own load meanwhile, and name what it uses in covers.
#[[step]]
#kind = "soak"
#minutes = 30
#covers = {links}
"""

_COMMAND = """\
# A test of your own: it passes by its exit status, within its time, and runs beside this file.
#[[step]]
#kind = "command"
#run = ["./our-test", "--quick"]
#minutes = 10
"""

_REBOOT = """\
# Start the machine anew and go on by itself, through a unit of systemd; by_hand = true waits for a person instead.
#[[step]]
#kind = "reboot"
"""

_COMPARISON = """\
# What changed between the two snapshots: links, components, errors.
[[step]]
kind = "comparison"
before = "before"
after = "after"
"""


def plan_text(
    links: Sequence[LinkDocument], *, host: str, source: str, loads: Sequence[str], margined: Sequence[str]
) -> str:
    """The plan; `loads` are those that find something to drive, `margined` the ports of links with lane margining."""
    slots = [link for link in links if link.kind is KindOfLink.SLOT and link.component is not None]
    testable = [link for link in slots if link.downstream_port is not None]
    eyes = [
        link for link in testable if link.negotiated.speed_gts in _MARGINED_GTS and link.downstream_port in margined
    ]
    named = _words(testable)
    text = "\n".join(
        (
            _HEAD.format(source=plain(source), schema=Schema.QUALIFY_PLAN, host=_quoted(host)),
            "".join(_what_is_here(slots)),
            '[[step]]\nkind = "snapshot"\nname = "before"\n',
            _EXPECTATIONS,
            *((_TRAININGS.format(links=named), _SPEEDS.format(links=named)) if testable else ()),
            _MARGINS.format(links=_words(eyes)) if eyes else _NO_MARGINS,
            _SOAK.format(loads=_array(loads)) if loads else _NO_LOAD.format(links=named),
            _COMMAND,
            _REBOOT,
            '[[step]]\nkind = "snapshot"\nname = "after"\n',
            _COMPARISON,
        )
    )
    return toml(text)


def _what_is_here(links: Sequence[LinkDocument]) -> Iterator[str]:
    yield "# What is in this machine's slots now:\n"
    for link in links:
        below = f"; {link.verdict}: {headline(link)}" if link.verdict.below_capability else ""
        yield f"#   {plain(title(link))}: {plain(described(link) or '')}, at {link.negotiated}{plain(below)}\n"


def _words(links: Sequence[LinkDocument]) -> str:
    """The links as a plan names them: by slot where its name is one alone, else by the address of the port."""
    titles = [None if link.slot is None else link.slot.title for link in links]
    return _array(
        [
            name if name and titles.count(name) == 1 else link.downstream_port or ""
            for name, link in zip(titles, links, strict=True)
        ]
    )


def _array(words: Sequence[str]) -> str:
    return "[" + ", ".join(f'"{_quoted(word)}"' for word in words) + "]"


def _quoted(text: str) -> str:
    """Between quotes of TOML."""
    return plain(text).replace("\\", "\\\\").replace('"', '\\"')
