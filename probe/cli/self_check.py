"""linkprobe self-check."""

import typer

from fake_sysfs.demonstration import PLANTED, correlator
from probe.audit.audit import audit
from probe.cli.extras import PACKAGED, how_to_add, lacking
from probe.cli.showing import end
from probe.exit_status import ExitStatus
from probe.foreign_text import plain
from probe.host.abilities import abilities
from probe.host.machine import read_machine
from probe.host.source import DirectorySource


def self_check() -> None:
    """Say what this installation can read and do here, and whether its judge still finds the demonstration's faults."""
    for item in abilities(DirectorySource()):
        _line(item.what, item.detail, there=item.there)
    for extra in PACKAGED:
        missing = ", ".join(lacking(extra))
        _line(f"part {extra}", f"lacks {missing}: {how_to_add(extra)}" if missing else "whole", there=not missing)
    links = audit(read_machine(correlator().build().source())).links
    found = {link.upstream_port or link.downstream_port: link.verdict.value for link in links}
    wrong = {address: found.get(address) for address, word in PLANTED.items() if found.get(address) != word}
    _line("judges the demonstration machine rightly", f"{len(PLANTED)} planted cases", there=not wrong)
    if wrong:
        typer.echo(f"     wrong: {wrong}")
    end(ExitStatus.FOUND if wrong else ExitStatus.CLEAN)


def _line(what: str, detail: str, *, there: bool) -> None:
    typer.echo(f"{'yes' if there else 'no':<4} {what:<41} {plain(detail)}")
