"""Runs commands of the program one after another, each in a fork of itself, with a system call that fails on order.

Started with the layer preloaded (`layer.c`); reads an order a line and answers a line. Steered by `layer.py`.
"""

import contextlib
import ctypes
import importlib
import json
import os
import signal
import sys
import time
from pathlib import Path
from typing import Any

from probe.cli.main import main


def run(layer: ctypes.CDLL, order: dict[str, Any]) -> dict[str, Any]:
    """Carry out an order."""
    layer.layer_arm(order["kind"].encode(), os.fsencode(order["below"]), order["nth"], order["onwards"], order["what"])
    child = os.fork()
    if child == 0:
        _as_the_program(order)
    until = time.monotonic() + order["limit_s"]
    ended, status = 0, 0
    while ended == 0 and time.monotonic() < until:
        ended, status = os.waitpid(child, os.WNOHANG)
        time.sleep(0.002)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    if ended == 0:
        os.waitpid(child, 0)
    told = os.waitstatus_to_exitcode(status) if ended else None
    return {"status": told, "seen": layer.layer_seen(), "done": layer.layer_done()}


def _as_the_program(order: dict[str, Any]) -> None:
    os.setpgid(0, 0)
    for name, descriptor in (("out", 1), ("err", 2)):
        file = os.open(order[name], os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        os.dup2(file, descriptor)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    sys.argv = ["linkprobe", *order["arguments"]]
    status = 1
    try:
        main()
    except SystemExit as ended:
        status = int(ended.code or 0)
    finally:
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(OSError):
                stream.flush()
        os._exit(status)


def serve() -> None:
    """Answer orders until there are none."""
    layer = ctypes.CDLL(sys.argv[1])
    for name in sys.argv[2:]:
        importlib.import_module(name)
    answers = os.fdopen(os.dup(1), "w", buffering=1)
    for line in iter(sys.stdin.readline, ""):
        print(json.dumps(run(layer, json.loads(line))), file=answers)


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))
    serve()
