"""The program: its commands, and the one place where an error becomes a sentence and an exit status."""

import os
import sys
from importlib import import_module

import typer

from probe import __version__
from probe.exceptions import LinkprobeError
from probe.exit_status import ExitStatus

COMMANDS = (
    "audit", "explain", "snapshot", "diff", "history", "expect", "soak", "watch", "collect", "fleet", "log", "report",
    "decode", "ceiling", "ratio", "demo", "schema", "self-check",
)  # fmt: skip
_INTERRUPTED = 130


def application(wanted: str | None = None) -> typer.Typer:
    """The command line with one command, or with all where help or completion needs them: start-up stays light."""
    app = typer.Typer(name="linkprobe", help=_HELP, pretty_exceptions_enable=False, rich_markup_mode=None)
    app.callback(invoke_without_command=True)(root)
    for name in (wanted,) if wanted in COMMANDS else COMMANDS:
        spelled = str(name).replace("-", "_")
        command = getattr(import_module(f"probe.cli.{spelled}"), spelled)
        if isinstance(command, typer.Typer):
            app.add_typer(command, name=name)
        else:
            app.command(name)(command)
    return app


_HELP = "Which speed and width every PCI Express link of this machine trained to, and why."


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
        app = application(sys.argv[1] if len(sys.argv) > 1 else None)
        status = app(standalone_mode=False) or 0
        sys.stdout.flush()
    except LinkprobeError as error:
        print(f"linkprobe: {error}", file=sys.stderr)  # noqa: T201 - the one place that tells an error
        status = error.status
    except _parser_errors() as error:
        print(f"linkprobe: {str(error).rstrip('.')}; see linkprobe --help", file=sys.stderr)  # noqa: T201 - as above
        status = ExitStatus.USAGE
    except (typer.Abort, KeyboardInterrupt):
        status = _INTERRUPTED
    except BrokenPipeError:
        # The reader of our output has gone, which is its right; nothing more can be told.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = 0
    sys.exit(int(status))
