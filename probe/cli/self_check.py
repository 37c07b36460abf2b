"""linkprobe self-check."""

import typer

from fake_sysfs.demonstration import PLANTED, correlator
from probe.audit.audit import audit
from probe.cli.showing import end
from probe.exit_status import ExitStatus
from probe.foreign_text import plain
from probe.host.abilities import abilities
from probe.host.machine import read_machine


def self_check() -> None:
    """Say what this installation can read and do here, and whether its judge still finds the demonstration's faults."""
    for item in abilities():
        typer.echo(f"{'yes' if item.there else 'no ':<4} {item.what:<38} {plain(item.detail)}")
    links = audit(read_machine(correlator().build().source())).links
    found = {link.upstream_port or link.downstream_port: link.verdict.value for link in links}
    wrong = {address: found.get(address) for address, word in PLANTED.items() if found.get(address) != word}
    typer.echo(
        f"{'no ' if wrong else 'yes':<4} {'judges the demonstration machine rightly':<38} {len(PLANTED)} planted cases"
    )
    if wrong:
        typer.echo(f"     wrong: {wrong}")
    end(ExitStatus.FOUND if wrong else ExitStatus.CLEAN)
