"""Files of hosts told as rows without a store: the same chronicles, the same telling."""

from collections import defaultdict
from collections.abc import Iterable

from probe.fleet.chronicle import Chronicle, Scribe
from probe.fleet.reading import Reader
from probe.fleet.rows import Row
from probe.fleet.telling import rows_of


def rows_of_files(files: Iterable[tuple[str, bytes]], now_s: int) -> tuple[dict[str, list[Row]], int]:
    """The rows of all hosts that these files (a name and its bytes) are of, and how many hosts.

    Raises DocumentError for a file that holds nothing of use.
    """
    reader, scribes = Reader(), dict[str, Scribe]()
    for name, data in files:
        read = reader.read(data, name)
        scribe = scribes.setdefault(read.host, Scribe(Chronicle(read.host)))
        for seen in read.observations:
            scribe.add(seen, now_s)
        for tested in read.results:
            scribe.add_result(tested)
    found: dict[str, list[Row]] = defaultdict(list)
    for _, scribe in sorted(scribes.items()):
        for kind, rows in rows_of(scribe.chronicle).items():
            found[kind] += rows
    return dict(found), len(scribes)
