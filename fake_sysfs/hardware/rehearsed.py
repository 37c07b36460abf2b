"""A modelled link, margined by the real protocol under the real driver, and put back as a session does."""

from typing import NamedTuple

from fake_sysfs.build import machine
from fake_sysfs.description import card, root_port
from fake_sysfs.hardware.eye import Wall
from fake_sysfs.hardware.model import HardwareModel, LinkPlan
from fake_sysfs.hardware.receiver import Receiver
from probe.active.driver import Driver
from probe.active.journal import Began, Entry, began_now
from probe.active.margining.document import Limits, MarginDocument, MarginedLink, Settings
from probe.active.margining.judging import margin_document, margined_link
from probe.active.margining.link import Choice, LinkRun
from probe.active.margining.one_link import margin_link
from probe.active.putting_back import all_back
from probe.active.restoring import Leftover
from probe.active.speed_steps import states_now
from probe.active.target import Target, links_before, scope_of, targets
from probe.host.machine import read_machine

PORT, COMPONENT = "0000:00:01.0", "0000:01:00.0"


class Kept:
    """A journal in memory."""

    def __init__(self, *entries: Entry) -> None:
        self.all = list(entries)

    def keep(self, *entries: Entry) -> None:
        """Keep entries."""
        self.all += entries

    def entries(self) -> tuple[Entry, ...]:
        """All that was kept."""
        return tuple(self.all)


class Rehearsed(NamedTuple):
    """What came of a run on a model."""

    model: HardwareModel
    run: LinkRun
    link: MarginedLink
    document: MarginDocument
    leftovers: tuple[Leftover, ...]


def target_of(hardware: HardwareModel) -> Target:
    """The model's link."""
    (target,) = targets(read_machine(hardware.source(), wake=True), [COMPONENT])
    return target


def began(target: Target, *, may_retrain: bool = False) -> Began:
    """The head of the journal of a run."""
    return began_now("margin", "model", None, scope_of([target]), links_before([target]), may_retrain=may_retrain)


def rehearse(
    hardware: HardwareModel, choice: Choice, limits: Limits = Limits(), *, may_retrain: bool = False  # noqa: B008 - a value
) -> Rehearsed:  # fmt: skip
    """Margin the model's link and put all back."""
    target = target_of(hardware)
    head = began(target, may_retrain=may_retrain)
    kept = Kept(head)
    driver = Driver(hardware, head.scope, kept)
    run = margin_link(driver, target, choice, head, lambda _: None)
    leftovers = driver.run(all_back(head, kept))
    ended = driver.run(states_now(head.scope, head.links))
    settings = Settings(seconds=choice.seconds, error_limit=choice.error_limit, limits=limits)
    host = read_machine(hardware.source()).host
    document = margin_document(host, settings, [margined_link(run, target, limits)], leftovers, ended)
    return Rehearsed(hardware, run, document.links[0], document, leftovers)


def demonstration() -> Rehearsed:
    """A made-up 16 GT/s x16 link: lanes a little unlike each other, and one whose eye is nearly shut."""
    healthy = {
        lane: Wall(left=9 + lane % 3, right=9 + (lane + 1) % 3, up=28 + lane % 4, down=27 + lane % 5)
        for lane in range(16)
    }
    port = Receiver(eyes=healthy | {11: Wall(left=3, right=2, up=9, down=8)})
    above = root_port(PORT, "16 GT/s x16", slot=1, margining=True)
    tree = machine(above.holds(card("16 GT/s x16", margining=True)), name="correlator-07").build()
    model = HardwareModel(tree, {PORT: LinkPlan(component=COMPONENT, receivers={1: port, 6: Receiver(eyes=healthy)})})
    return rehearse(model, Choice(ends=frozenset({"port", "component", "retimer"}), seconds=1.0))
