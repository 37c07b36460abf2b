"""Results of active tests read back from files. May live here: which kinds there are. May not: comparing; drawing."""

from probe.active.comparing import KINDS, ResultDocument
from probe.documents.files import decode_document, schema_of
from probe.exceptions import DocumentError

_REMEDY = "give a result of linkprobe train, speeds or margin, as --json prints it"


def result_in(data: bytes, name: str) -> ResultDocument:
    """The result that these bytes are. Raises DocumentError."""
    schema = schema_of(data, name, _REMEDY)
    kind = KINDS.get(schema)
    if kind is None:
        raise DocumentError(f"is a {schema or 'document of another kind'}, no result", where=name, remedy=_REMEDY)
    return decode_document(data, name, kind, schema, _REMEDY)
