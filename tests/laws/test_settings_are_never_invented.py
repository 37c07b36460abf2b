"""What is set on a link is told as it was read, or not at all: taking evidence away makes no other value of it.

Source of the law: DEVELOPERS.md, unknown never alarms and never excuses.
"""

from hypothesis import given
from hypothesis import strategies as st

from probe.audit.audit import audit
from probe.evidence import Evidence
from probe.settings.of_link import Settings
from tests.laws.masks import evidence_of_troubled_machines, masked
from tests.search import search


def told(found: Settings) -> dict[str, object]:
    payload, both = found.payload, found.aspm.both
    one_by_one = {
        f"{end} {name}": getattr(timeout, name)
        for end, timeout in found.completion_timeout.items()
        for name in ("value", "disabled", "ranges", "can_be_disabled")
    }
    return {
        **one_by_one,
        "in force": payload.in_force, "supported": payload.supported, "request": payload.read_request,
        "to host": payload.gain_to_host_percent, "from host": payload.gain_from_host_percent,
        "enabled": both.enabled, "can": both.supported, "substates": both.substates_enabled,
    }  # fmt: skip


@search(60)
@given(evidence_of_troubled_machines(), st.data())
def test_masking_makes_no_other_setting(evidence: Evidence, data: st.DataObject) -> None:
    whole = {link.downstream_port: link.settings for link in audit(evidence).links}
    for link in audit(data.draw(masked(evidence))).links:
        before = whole.get(link.downstream_port)
        if link.settings is None or before is None:
            continue
        known = told(before)
        for name, value in told(link.settings).items():
            assert value is None or value == known[name], name
        assert not set(link.settings.payload.overruns) - set(before.payload.overruns)
