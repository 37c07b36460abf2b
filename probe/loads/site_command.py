"""The site's own command, run beside a small process of ours that ends all of it when this program ends in any way.

That process leads the group; the kernel tells it of the end (PR_SET_PDEATHSIG, prctl(2)), and it kills the group. It
ends as the command does, with the same status or signal.
"""

import contextlib
import os
import signal
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import IO

from probe.host.own_process import own_process, told_at_end_of_starter

_OF_A_PERSON = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)


def started(command: Sequence[str], output: IO[bytes], folder: Path | None = None) -> "subprocess.Popen[bytes]":
    """The command at work in a session of its own. Raises OSError where it cannot be started."""
    heard, told = os.pipe()
    with open(heard, "rb") as answer:  # noqa: PTH123 - a descriptor
        try:
            process = subprocess.Popen(  # noqa: S603 - what the person asked for
                own_process("probe.loads.site_command", str(told), *command),
                stdin=subprocess.DEVNULL, stdout=output, stderr=subprocess.STDOUT, start_new_session=True, cwd=folder,
                pass_fds=(told,),
            )  # fmt: skip
        finally:
            os.close(told)
        failed = answer.read()
    if failed:
        process.wait()
        raise OSError(int(failed), os.strerror(int(failed)))
    return process


def main() -> None:
    """Run the command to its end."""
    told, *command = sys.argv[1:]
    signal.signal(signal.SIGUSR1, lambda *_: os.killpg(0, signal.SIGKILL))
    told_at_end_of_starter(signal.SIGUSR1)
    for number in _OF_A_PERSON:  # what is sent to the group is the command's to answer
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, lambda *_: None)
    try:
        process = subprocess.Popen(command)  # noqa: S603 - what the person asked for
    except OSError as error:
        os.write(int(told), str(error.errno).encode())
        return
    os.close(int(told))
    status = process.wait()
    if status < 0:
        with contextlib.suppress(OSError, ValueError):  # of a signal that cannot be handled
            signal.signal(-status, signal.SIG_DFL)
        os.kill(os.getpid(), -status)
    os._exit(status)


if __name__ == "__main__":
    main()
