"""Unknown never alarms and never excuses: masking any part of the evidence of a machine, as not read.

Source of the law: probe/verdict/verdicts.py and DEVELOPERS.md. What masking may do: a verdict becomes `unjudged` or
`resting`. What it may not: turn a clean bill into a finding, or a finding into a clean bill. A link that rested and
whose excuse was masked is short still: it may be told as `downtrained`, never with more than it was short of. So may
one of which it is not known any more that it is inside a card or chipset: as an ordinary user sees it, its short link
is told, since the slots behind every switch would go unwatched otherwise.
"""

from hypothesis import given
from hypothesis import strategies as st

from probe.audit.audit import audit
from probe.audit.document import AuditDocument, LinkDocument
from probe.audit.outcome import exit_status
from probe.errors.counts import ErrorTotals
from probe.evidence import Evidence
from probe.exit_status import ExitStatus
from probe.links.kind_of_link import KindOfLink
from probe.verdict.verdicts import Verdict
from tests.laws.masks import evidence_of_troubled_machines, masked
from tests.search import search

CLEAN = {Verdict.FULL, Verdict.LIMITED, Verdict.EMPTY}
BELOW = {Verdict.DOWNTRAINED, Verdict.CAPPED}


def place(link: LinkDocument) -> tuple[str | None, str | None]:
    return link.downstream_port, link.upstream_port


def by_place(document: AuditDocument) -> dict[tuple[str | None, str | None], LinkDocument]:
    return {place(link): link for link in document.links}


def lost_excuse(before: LinkDocument, after: LinkDocument) -> bool:
    """Short as before, and what excused it is not read any more."""
    if before.kind is not KindOfLink.SLOT and after.kind is KindOfLink.SLOT:
        return after.verdict is before.verdict or after.verdict is Verdict.UNJUDGED or before.verdict is Verdict.RESTING
    return before.verdict is Verdict.RESTING and set(after.shortfall) <= {*before.shortfall, "speed"}


@search(60)
@given(evidence_of_troubled_machines(), st.data())
def test_masking_any_part_of_the_evidence(evidence: Evidence, data: st.DataObject) -> None:
    whole, less = audit(evidence), audit(data.draw(masked(evidence)))
    known = by_place(whole)
    excused = False
    for there, after in by_place(less).items():
        before = known.get(there)
        if before is None:
            assert not after.alarming, f"a link that nobody saw before: {after}"
            continue
        where = f"{there}: {before.verdict} -> {after.verdict}\n{before.reasons}\n{after.reasons}"
        excused |= lost_excuse(before, after) and after.alarming
        assert not (before.verdict in CLEAN and after.verdict in BELOW), where
        assert not (before.verdict in BELOW and after.verdict in CLEAN), where
        assert not (before.silent and after.verdict in CLEAN | BELOW), where
        assert not (before.verdict is Verdict.UNJUDGED and before.shortfall and after.verdict is Verdict.EMPTY), where
        assert not (after.silent and not before.silent), where
        assert not (after.urgent and not before.urgent), where
        assert not (after.alarming and not before.alarming) or lost_excuse(before, after), where
        assert not any(more(before.errors, after.errors)), where
        assert set(after.limits_exceeded) <= set(before.limits_exceeded), where
    allowed = {ExitStatus.NOTHING_JUDGED, *range(exit_status(whole) + 1)}
    assert exit_status(less) in allowed or excused


def more(before: ErrorTotals, after: ErrorTotals) -> list[bool]:
    pairs = (
        (before.correctable, after.correctable),
        (before.nonfatal, after.nonfatal),
        (before.fatal, after.fatal),
    )
    return [late is not None and (early is None or late > early) for early, late in pairs]
