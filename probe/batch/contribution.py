"""What one file says: of which machine, when, its links, and readings of them.

May live here: the values that every kind of document is made into. May not: comparing machines.
"""

from collections.abc import Mapping

import msgspec

from probe.audit.document import LinkDocument
from probe.batch.readings import Key, Reading
from probe.evidence import Host
from probe.result import Result


class Where(msgspec.Struct, frozen=True, order=True):
    """A place as a document names it: by how it is wired, or by its port's address where it does not tell that."""

    place_id: str = ""
    port: str = ""


class Tested(msgspec.Struct, frozen=True, kw_only=True):
    """What a test said of one link."""

    test: str
    result: Result
    reasons: tuple[str, ...] = ()
    urgent: bool = False


class Contribution(msgspec.Struct, frozen=True, kw_only=True):
    """What one file says. `links` are all of a machine's, None where the document does not hold them."""

    file: str
    digest: str
    kind: str
    host: Host
    links: tuple[LinkDocument, ...] | None = None
    readings: Mapping[Where, Mapping[Key, Reading]] = {}
    tested: Mapping[Where, tuple[Tested, ...]] = {}
    titles: Mapping[Where, str] = {}

    @property
    def order(self) -> tuple[str, str]:
        """From the oldest to the newest; of one moment by digest, so that no order of files matters."""
        return self.host.taken_at, self.digest
