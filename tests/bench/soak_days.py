"""What days of a soak cost: size of the record, memory of all that writes and judges it, how late a sample is.

    python -m tests.bench.soak_days [DAYS] [LINKS]

A made-up machine by a made-up clock of one sample a second, each link driven by a load of its own in phases of ten
seconds, one link that trains anew every second, and one that counts an error every second. Every line is written and
every thinning done as in a real run; only the waiting is left out, so a thinning is waited for.
"""

import resource
import sys
import tempfile
import time
from pathlib import Path

from fake_sysfs import card, machine, root_port
from probe.links.link import WhichEnd
from probe.loads.results import FROM_HOST, TO_HOST, Pass
from probe.observe.events import CountedErrors, LinkEvent, LinkEventKind
from probe.registers.errors import Severity
from probe.soak.journal import Baseline, End, Entry, LinkSample, Sample, Start
from probe.soak.reading import Recorded
from probe.soak.record import record
from probe.soak.writing import Journal
from tests.compare.machines import snapshot

_DAY_S = 86_400
_PHASE_S = 10
MIB = 1 << 20


def main() -> None:
    days, links = (float(text) for text in [*sys.argv[1:], "1", "64"][:2])
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "record.jsonl"
        began = time.monotonic()
        most, latest = _written(path, int(days * _DAY_S), int(links))
        print(f"{links:.0f} links for {days:g} days, written in {time.monotonic() - began:.0f} s")
        print(f"record at its largest {most / 1e6:.1f} MB, at the end {path.stat().st_size / 1e6:.1f} MB (aim: 100)")
        print(f"memory of the writer {_peak(resource.RUSAGE_SELF):.0f} MB (aim: 200, of it and of the one that thins)")
        print(f"memory of the process that thins {_peak(resource.RUSAGE_CHILDREN):.0f} MB")
        print(f"a sample is late by at most {latest:.2f} of its interval, while the record is thinned too (aim: 1)")
        began = time.monotonic()
        found = record(Recorded.at(path))
        print(f"judged in {time.monotonic() - began:.1f} s: {found.result}, {found.samples} samples")
        print(f"memory of the judge {_peak(resource.RUSAGE_SELF):.0f} MB")


def _peak(who: int) -> float:
    return resource.getrusage(who).ru_maxrss / 1024


def _written(path: Path, seconds: int, links: int) -> tuple[int, float]:
    ports = (root_port(f"{n // 24:04x}:00:{n % 24 + 1:02x}.0", "16 GT/s x4", slot=n + 1) for n in range(links))
    taken = snapshot(machine(*(port.holds(card("16 GT/s x4")) for port in ports)))
    places = tuple(link.place_id for link in taken.links)
    journal = Journal.create(path)
    journal.append(
        Start(
            snapshot=taken, place_ids=places, loads=("x",), interval_s=1.0, planned_s=float(seconds),
            correctable_limit="6/2h",
        ),
        Baseline(0.0, {}),
    )  # fmt: skip
    most, latest = 0, 0.0
    for second in range(seconds):
        began = time.monotonic()
        journal.append(*_happens(float(second), places))
        latest = max(latest, time.monotonic() - began)
        if second % 600 == 0:
            most = max(most, path.stat().st_size)
        while journal.shorter is not None:
            time.sleep(0.05)
            began = time.monotonic()
            journal.append()
            latest = max(latest, time.monotonic() - began)
            most = max(most, path.stat().st_size)
    journal.append(End(t=float(seconds), why="the planned time was over", complete=True))
    journal.close()
    return most, latest


def _happens(t: float, places: tuple[str, ...]) -> list[Entry]:
    way = (TO_HOST, FROM_HOST)[int(t) // _PHASE_S % 2]
    entries: list[Entry] = [
        LinkEvent(t=t, place_id=places[0], kind=LinkEventKind.RETRAINED, sentence="the link was retrained"),
        CountedErrors(
            t=t, place_id=places[1], end=WhichEnd.COMPONENT, function="0000:02:00.0", severity=Severity.CORRECTABLE,
            error="Bad TLP", count=1,
        ),
    ]  # fmt: skip
    if int(t) % _PHASE_S == 0:
        entries += [
            Pass(
                t=t, load="storage-read", target=f"/dev/nvme{number}n1", place_id=place, direction=way, seconds=9.99,
                bytes=int(6e10 + 1e7 * ((number * 7919 + int(t)) % 997)), phase=way, phase_number=int(t) // _PHASE_S,
            )
            for number, place in enumerate(places)
        ]  # fmt: skip
    rates = [6e9 + 1e6 * ((number * 104_729 + int(t) * 31) % 9973) + 0.123456789 for number in range(len(places))]
    samples = {
        place: LinkSample(16.0, 4, rates[number], rates[number] / 7, 40.0 + (number + int(t)) % 20 + 0.85)
        for number, place in enumerate(places)
    }
    return [*entries, Sample(t, samples)]


if __name__ == "__main__":
    main()
