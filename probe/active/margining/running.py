"""The runs of `margin`: links one after another, and the document.

May live here: what binds guard, session, protocol and judging together. May not: sequences of registers; drawing.
"""

from collections.abc import Callable, Sequence
from functools import partial

import msgspec

from probe.active.guard import Effect
from probe.active.journal import began_now
from probe.active.link_at import LinkAt
from probe.active.margining.document import Limits, MarginDocument, MarginedLink, Settings
from probe.active.margining.judging import judged_anew, margin_document, margined_link
from probe.active.margining.link import Choice, LinkRun
from probe.active.margining.one_link import margin_link
from probe.active.margining.peers import Measured, held_against, measured
from probe.active.preparing import Bench, Guarding
from probe.active.session import session
from probe.active.target import Target, links_before, scope_of
from probe.evidence import Host

Tell = Callable[[Target, str], None]


class Margining(msgspec.Struct, frozen=True):
    """What `margin` is to do: at which links, what is measured, what each way is held to."""

    under_test: tuple[Target, ...]
    choice: Choice
    limits: Limits = Limits()
    earlier: tuple[MarginDocument, ...] = ()
    """Earlier results to hold it against: of the same links, and of links of their kind."""
    may_retrain: bool = False
    """Retrain a link that is slower or narrower afterwards."""

    @property
    def effect(self) -> Effect:
        """What it does to a link, as far as it is known before the receivers were asked."""
        return Effect.SAMPLES_LIVE if self.choice.live_data else Effect.SAMPLES

    @property
    def settings(self) -> Settings:
        """How it is done, for the document."""
        return Settings(seconds=self.choice.seconds, error_limit=self.choice.error_limit, limits=self.limits)


def margin(tested: Bench, guarding: Guarding, task: Margining, tell: Tell) -> MarginDocument:
    """Measure the links; all is put back whatever ends it. Raises InputError where no journal can be written."""
    host, under_test = tested.evidence.host, task.under_test
    began = began_now(
        "margin", tested.source.sys, host.boot_id, scope_of(under_test), links_before(under_test),
        may_retrain=task.may_retrain,
    )  # fmt: skip
    done = []
    with session(began) as going_on:
        for target in under_test:
            objections = guarding.objections(target, task.effect)
            if objections:
                run = LinkRun(LinkAt.of(target), task.choice)
                run.stopped = "; ".join(f"{item.what}: {item.user}" for item in objections)
            else:
                run = margin_link(going_on, target, task.choice, began, partial(tell, target))
            done.append(margined_link(run, target, task.limits))
            if run.stopped is not None:
                break
    why = "the run ended before it" if going_on.stopped is None else f"stopped by {going_on.stopped}"
    for target in under_test[len(done) :]:
        run = LinkRun(LinkAt.of(target), task.choice)
        run.stopped = why
        done.append(margined_link(run, target, task.limits))
    held = against(host, task.settings, done, task.earlier, task.limits)
    return margin_document(host, task.settings, held, going_on.leftovers or (), going_on.ended)


def against(
    host: Host, settings: Settings, links: Sequence[MarginedLink], earlier: Sequence[MarginDocument], limits: Limits
) -> list[MarginedLink]:
    """The links held against earlier results and against each other, and judged by that too."""
    own = [Measured(host, settings, link) for link in links]
    others = tuple(measured(earlier))
    return [
        judged_anew(
            msgspec.structs.replace(
                item.link, held_against=held_against(item, (*others, *(one for one in own if one is not item)))
            ),
            limits,
        )
        for item in own
    ]
