"""Each link over all steps of a qualification. Pure."""

from collections import defaultdict
from collections.abc import Sequence

from probe.audit.document import LinkDocument
from probe.audit.names import described, title
from probe.audit.snapshot import Snapshot, judged_links
from probe.qualify.document import LinkResult, StepLink, StepOutcome
from probe.result import Result, overall


def link_results(first: Snapshot | None, steps: Sequence[StepOutcome]) -> tuple[LinkResult, ...]:
    """The links of the machine that hold something, and those that a step named, with what each kind of step said."""
    links = {link.place_id: link for link in judged_links(first) if link.component is not None} if first else {}
    said: dict[str, list[tuple[StepOutcome, StepLink]]] = defaultdict(list)
    for step in steps:
        for told in step.links:
            said[told.place_id].append((step, told))
    places = dict.fromkeys((*links, *said))
    return tuple(_result(place, links.get(place), said[place]) for place in places)


def _result(place: str, link: LinkDocument | None, said: Sequence[tuple[StepOutcome, StepLink]]) -> LinkResult:
    by_kind: dict[str, list[Result]] = defaultdict(list)
    for step, told in said:
        by_kind[step.kind].append(told.result)
    reasons = [
        f"{step.name}: {reason}" for step, told in said if told.result is not Result.PASSED for reason in told.reasons
    ]
    return LinkResult(
        place_id=place,
        downstream_port=link.downstream_port if link else said[0][1].downstream_port,
        upstream_port=link.upstream_port if link else None,
        title=title(link) if link else said[0][1].title,
        component=described(link) if link else None,
        by_kind={kind: overall(results) for kind, results in by_kind.items()},
        result=overall(told.result for _, told in said),
        reasons=tuple(reasons),
    )
