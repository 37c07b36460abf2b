"""The schema names of all documents, and where the type of each lives. A document's first field states its name."""

from enum import StrEnum


class Schema(StrEnum):
    """`linkprobe/KIND/VERSION`; a version changes where an older reader would misread."""

    AUDIT = "linkprobe/audit/1"
    SNAPSHOT = "linkprobe/snapshot/1"
    EXPLANATION = "linkprobe/explanation/1"
    DIFF = "linkprobe/diff/1"
    HISTORY = "linkprobe/history/1"
    EXPECTATIONS = "linkprobe/expect/1"
    JOURNAL = "linkprobe/soak/1"
    RECORD = "linkprobe/record/1"
    CEILING = "linkprobe/ceiling/1"
    RATIO = "linkprobe/ratio/1"
    STORE = "linkprobe/store/2"
    PLAN = "linkprobe/active-plan/1"
    TRAINING = "linkprobe/training/1"
    SPEEDS = "linkprobe/speeds/1"
    MARGIN = "linkprobe/margin/1"
    PUT_BACK = "linkprobe/put-back/1"
    ACTIVE_JOURNAL = "linkprobe/active-journal/1"
    BATCH = "linkprobe/batch/1"
    WHERE = "linkprobe/where/1"
    PATHS = "linkprobe/paths/1"
    QUALIFY_PLAN = "linkprobe/qualify-plan/1"
    QUALIFY_PREVIEW = "linkprobe/qualify-preview/1"
    QUALIFY_JOURNAL = "linkprobe/qualify-journal/1"
    QUALIFICATION = "linkprobe/qualification/1"
    VERIFICATION = "linkprobe/verification/1"


RESULTS = frozenset({Schema.TRAINING, Schema.SPEEDS, Schema.MARGIN})
"""What tests that write to hardware found."""

TYPES: dict[Schema, str] = {
    Schema.AUDIT: "probe.audit.document:AuditDocument",
    Schema.SNAPSHOT: "probe.audit.snapshot:Snapshot",
    Schema.EXPLANATION: "probe.audit.explanation:Explanation",
    Schema.DIFF: "probe.compare.changes:Comparison",
    Schema.HISTORY: "probe.compare.history:History",
    Schema.EXPECTATIONS: "probe.compare.expectations:Expectations",
    Schema.JOURNAL: "probe.soak.journal:Entry",
    Schema.RECORD: "probe.soak.record:Record",
    Schema.CEILING: "probe.bandwidth.arithmetic:Arithmetic",
    Schema.RATIO: "probe.errors.ratio:Ratio",
    Schema.STORE: "probe.fleet.rows:LinkRow",
    Schema.PLAN: "probe.active.documents:Plan",
    Schema.TRAINING: "probe.active.documents:TrainingDocument",
    Schema.SPEEDS: "probe.active.documents:SpeedsDocument",
    Schema.MARGIN: "probe.active.margining.document:MarginDocument",
    Schema.PUT_BACK: "probe.active.documents:PutBackDocument",
    Schema.ACTIVE_JOURNAL: "probe.active.journal:Entry",
    Schema.BATCH: "probe.batch.document:Batch",
    Schema.WHERE: "probe.fleet.whereabouts:Whereabouts",
    Schema.PATHS: "probe.paths.document:Paths",
    Schema.QUALIFY_PLAN: "probe.qualify.plan:Plan",
    Schema.QUALIFY_PREVIEW: "probe.qualify.preview:Preview",
    Schema.QUALIFY_JOURNAL: "probe.qualify.entries:Entry",
    Schema.QUALIFICATION: "probe.qualify.document:QualificationRecord",
    Schema.VERIFICATION: "probe.qualify.sealing:Verification",
}
"""Each by its place, so that naming a document loads nothing."""
