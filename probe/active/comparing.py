"""A result of an active test held against an earlier one of the same links, and beside snapshots of the machine.

May live here: which links are the same, and what of them differs. May not: reading files; drawing.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime

import msgspec

from probe.active.binomial import CONFIDENCE, told_apart
from probe.active.documents import LinkSpeeds, LinkTraining, SpeedsDocument, TrainingDocument
from probe.active.margining.document import MarginDocument, MarginedLink
from probe.active.margining.earlier import margin_changes, method_note
from probe.compare.changes import Alteration, Comparison, in_order, told
from probe.compare.host import host_changes
from probe.compare.tested import GenerationChanged, NotMeasured, ResultChanged, ShareChanged, TestChange, Tested
from probe.evidence import Host
from probe.schemas import Schema

ResultDocument = TrainingDocument | SpeedsDocument | MarginDocument
ResultLink = LinkTraining | LinkSpeeds | MarginedLink
KINDS: dict[str, type[ResultDocument]] = {
    Schema.TRAINING: TrainingDocument,
    Schema.SPEEDS: SpeedsDocument,
    Schema.MARGIN: MarginDocument,
}
TESTS = {Schema.TRAINING: "train", Schema.SPEEDS: "speeds", Schema.MARGIN: "margin"}
"""What each result is of, as the command is called."""
_GENERATION = ("supported", "trained", "carries", "clean")


def command_of(document: ResultDocument) -> str:
    """The command that made it."""
    return TESTS[Schema(document.schema)]


def compared(before: ResultDocument, after: ResultDocument) -> Comparison:
    """What differs between two results of the same test, the earlier one first."""
    test = command_of(after)
    then = {_key(link): link for link in before.links}
    now = {_key(link): link for link in after.links}
    changes: list[TestChange] = []
    for key, link in now.items():
        if key in then:
            changes += _changes(test, then[key], link, before, after)
    for link in (*(then[key] for key in then.keys() - now.keys()), *(now[key] for key in now.keys() - then.keys())):
        which = "now" if _key(link) in now else "before"
        changes.append(NotMeasured(place=link.title, test=test, what="this link", why=f"tested {which} only"))
    return Comparison(
        host=after.host.name,
        before_taken_at=before.host.taken_at,
        after_taken_at=after.host.taken_at,
        elapsed_s=_elapsed(before.host, after.host),
        rebooted=None not in {before.host.boot_id, after.host.boot_id} and before.host.boot_id != after.host.boot_id,
        alterations=tuple(_alterations(changes)),
        counts=(),
        titles={key: link.title for key, link in (then | now).items()},
        components={link.component.shown: link.title for link in now.values()},
        capability={},
        events=(),
        changes=told([*host_changes(before.host, after.host), *changes]),
        notes=tuple(_notes(before, after)),
        undecided=any(isinstance(change, NotMeasured) for change in changes),
    )


def beside(comparison: Comparison, results: Sequence[ResultDocument]) -> Comparison:
    """A comparison of snapshots, with what tests of the same machine said."""
    found = [_tested(document, link, comparison) for document in results for link in document.links]
    return msgspec.structs.replace(comparison, changes=in_order([*comparison.changes, *told(found)]))


def _tested(document: ResultDocument, link: ResultLink, comparison: Comparison) -> Tested:
    return Tested(
        place=comparison.titles.get(link.place_id, link.title), test=command_of(document), at=document.host.taken_at,
        result=link.result, reasons=link.reasons, restored=link.restored, back=link.back,
    )  # fmt: skip


def _key(link: ResultLink) -> str:
    return link.place_id or link.downstream_port


def _changes(
    test: str, then: ResultLink, now: ResultLink, before: ResultDocument, after: ResultDocument
) -> Iterator[TestChange]:
    if then.component.differs_from(now.component):
        why = f"{then.component.shown} was tested before, {now.component.shown} now"
        yield NotMeasured(place=now.title, test=test, what="another component", why=why)
    if then.result is not now.result:
        yield ResultChanged(place=now.title, test=test, before=then.result, after=now.result, reasons=now.reasons)
    if isinstance(then, LinkTraining) and isinstance(now, LinkTraining):
        yield from _trainings(test, then, now)
    if isinstance(then, LinkSpeeds) and isinstance(now, LinkSpeeds):
        yield from _speeds(test, then, now)
    if (
        isinstance(then, MarginedLink)
        and isinstance(now, MarginedLink)
        and isinstance(before, MarginDocument)
        and isinstance(after, MarginDocument)
    ):
        yield from margin_changes(then, now, comparable=before.settings.same_method(after.settings))


def _trainings(test: str, then: LinkTraining, now: LinkTraining) -> Iterator[TestChange]:
    if not then.of or not now.of:
        when = "now" if then.of else "before"
        yield NotMeasured(place=now.title, test=test, what="trainings", why=f"none was observed {when}")
    elif then.way != now.way:
        yield NotMeasured(place=now.title, test=test, what="trainings", why=f"by {then.way} before, by {now.way} now")
    elif then.short or now.short:
        chance = told_apart((then.short, then.of), (now.short, now.of))
        yield ShareChanged(
            place=now.title, test=test, before_short=then.short, before_of=then.of, after_short=now.short,
            after_of=now.of, chance=chance, told_apart=chance < 1.0 - CONFIDENCE,
        )  # fmt: skip


def _speeds(test: str, then: LinkSpeeds, now: LinkSpeeds) -> Iterator[TestChange]:
    earlier = {step.speed_gts: step for step in then.speeds}
    for step in now.speeds:
        was = earlier.get(step.speed_gts)
        for name in _GENERATION if was is not None else ():
            one, other = getattr(was, name), getattr(step, name)
            if None not in {one, other} and one is not other:
                yield GenerationChanged(
                    place=now.title, test=test, speed_gts=step.speed_gts, what=name, before=one, after=other
                )
            elif one is not None and other is None:
                what = f"{step.speed_gts:g} GT/s, {name}"
                yield NotMeasured(place=now.title, test=test, what=what, why="told before only")


def _alterations(changes: Sequence[TestChange]) -> Iterator[Alteration]:
    for change in changes:
        match change:
            case ResultChanged(place=place, before=before, after=after):
                yield Alteration(place, "result", str(before), str(after))
            case ShareChanged(place=place):
                was, is_now = (
                    f"{short} of {of}"
                    for short, of in ((change.before_short, change.before_of), (change.after_short, change.after_of))
                )
                yield Alteration(place, "short", was, is_now)


def _elapsed(before: Host, after: Host) -> float | None:
    try:
        one, other = datetime.fromisoformat(before.taken_at), datetime.fromisoformat(after.taken_at)
        return (other - one).total_seconds()
    except (ValueError, TypeError):
        return None


def _notes(before: ResultDocument, after: ResultDocument) -> Iterator[str]:
    if isinstance(before, MarginDocument) and isinstance(after, MarginDocument):
        yield from method_note(before.settings, after.settings)
    for when, document in (("before", before), ("now", after)):
        if not document.restored:
            yield f"Not everything was as it was after the test {when}."
