"""The program: its commands, and the one place where an error becomes a sentence and an exit status."""

import os
import sys

import typer

from probe import __version__
from probe.cli.audit import audit
from probe.cli.ceiling import ceiling
from probe.cli.decode import decode
from probe.cli.demo import demo
from probe.cli.diff import diff
from probe.cli.expect import expect
from probe.cli.explain import explain
from probe.cli.history import history
from probe.cli.log import log
from probe.cli.ratio import ratio
from probe.cli.report import report
from probe.cli.schema import schema
from probe.cli.snapshot import snapshot
from probe.cli.soak import soak
from probe.cli.watch import watch
from probe.errors import ExitStatus, LinkprobeError

app = typer.Typer(
    name="linkprobe",
    help="Which speed and width every PCI Express link of this machine trained to, and why.",
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
for command in (audit, explain, snapshot, diff, history, log, report, decode, ceiling, ratio, demo, schema):
    app.command()(command)
app.command(context_settings={"allow_interspersed_args": True})(soak)
app.command()(watch)
app.add_typer(expect, name="expect")

_INTERRUPTED = 130


@app.callback(invoke_without_command=True)
def root(
    context: typer.Context,
    version: bool = typer.Option(False, "--version", is_eager=True, help="Show the version."),
) -> None:
    """Which speed and width every PCI Express link of this machine trained to, and why."""
    if version:
        typer.echo(f"linkprobe {__version__}")
        raise typer.Exit
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())
        raise typer.Exit(ExitStatus.USAGE)


def _parser_errors() -> tuple[type[Exception], ...]:
    """The base of typer's own complaints; it keeps that class to itself, but one that it exports leads there."""
    bases = typer.BadParameter.__mro__
    return tuple(kind for kind in bases if kind.__name__ == "ClickException" and issubclass(kind, Exception))


def main() -> None:
    """Run the command line and exit with its status."""
    try:
        status = app(standalone_mode=False) or 0
        sys.stdout.flush()
    except LinkprobeError as error:
        print(f"linkprobe: {error}", file=sys.stderr)  # noqa: T201 - the one place that tells an error
        status = error.status
    except _parser_errors() as error:
        print(f"linkprobe: {str(error).rstrip('.')}; see linkprobe --help", file=sys.stderr)  # noqa: T201
        status = ExitStatus.USAGE
    except (typer.Abort, KeyboardInterrupt):
        status = _INTERRUPTED
    except BrokenPipeError:
        # The reader of our output has gone, which is its right; nothing more can be told.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = 0
    sys.exit(int(status))
