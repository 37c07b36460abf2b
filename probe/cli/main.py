"""The program: its commands, and the one place where an error becomes a sentence and an exit status."""

import contextlib
import errno
import gc
import os
import sys
from traceback import print_exception

import typer
from click import ClickException

from probe import __version__
from probe.cli.commands import COMMANDS
from probe.cli.extras import not_installed
from probe.cli.group import TableGroup
from probe.exceptions import TRACEBACK_VARIABLE, InputError, InternalError, LinkprobeError
from probe.exit_status import ExitStatus
from probe.foreign_text import plain

_INTERRUPTED = 130
_NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
_ALLOCATIONS = 100_000  # between two collections; the default of 700 looks through the modules while they load


def application() -> TableGroup:
    """The command line. Its commands are loaded when called, so that start-up stays light."""
    app = typer.Typer(cls=Program, add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)
    app.callback(invoke_without_command=True)(root)
    group = typer.main.get_command(app)
    if not isinstance(group, Program):
        raise TypeError(group)
    return group


class Program(TableGroup):
    """All commands."""

    table = COMMANDS


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


def main() -> None:
    """Run the command line and exit with its status."""
    gc.set_threshold(_ALLOCATIONS)
    _open_standard_streams()
    try:
        status = application().main(prog_name="linkprobe", standalone_mode=False) or 0
        sys.stdout.flush()
    except LinkprobeError as error:
        status = _told(error)
    except ClickException as error:
        command = getattr(error, "ctx", None)
        _say(f"{error.format_message().rstrip('.')}; see {command.command_path if command else 'linkprobe'} --help")
        status = ExitStatus.USAGE
    except (typer.Abort, KeyboardInterrupt) as error:  # click takes an end of file for an interruption too
        status = _told(InternalError.of(error.__cause__)) if isinstance(error.__cause__, EOFError) else _INTERRUPTED
    except BrokenPipeError:
        status = 0  # the reader of our output has gone, which is its right; nothing more can be told
    except ModuleNotFoundError as error:
        status = _told(not_installed(error) or InternalError.of(error))
    except BaseException as error:  # noqa: BLE001 - whatever nobody foresaw, panics of compiled libraries among it
        status = _told(_no_room(error) or InternalError.of(error))
    _let_go_of_output()
    gc.freeze()  # what is left goes with the process; looking through it would cost a fifth of a short run
    sys.exit(int(status))


def _open_standard_streams() -> None:
    """Give each standard stream that is closed a place, so that no file that is opened later takes its number."""
    for name, number, mode in (("stdin", 0, "r"), ("stdout", 1, "w"), ("stderr", 2, "w")):
        if getattr(sys, name) is None:
            descriptor = os.open(os.devnull, os.O_RDWR)
            if descriptor != number:
                os.dup2(descriptor, number)
            setattr(sys, name, open(number, mode, closefd=False))  # noqa: SIM115 - for as long as we run


def _no_room(error: BaseException) -> InputError | None:
    """The error where output found no room, which is no error of the program."""
    if not isinstance(error, OSError) or error.errno not in _NO_ROOM:
        return None
    what, remedy = f"cannot be written ({error.strerror})", "make room, or have it written elsewhere"
    return InputError(what, where=str(error.filename or "standard output"), remedy=remedy)


def _let_go_of_output() -> None:
    """Nothing that is still to be written may change the status when the process ends."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (OSError, ValueError):
            with contextlib.suppress(OSError, ValueError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _told(error: LinkprobeError) -> ExitStatus:
    if isinstance(error, InternalError) and os.environ.get(TRACEBACK_VARIABLE):
        print_exception(error.__cause__ or sys.exception())
    _say(str(error))
    return error.status


def _say(sentence: str) -> None:
    with contextlib.suppress(OSError, ValueError):  # nobody to tell it to; the status says it
        print(f"linkprobe: {plain(sentence)}", file=sys.stderr)  # noqa: T201 - the one place that tells an error
