"""linkprobe completion."""

import sys
from enum import StrEnum
from importlib.resources import files
from typing import Annotated

import typer

Shell = StrEnum("Shell", ["bash", "zsh", "fish"])


def completion(shell: Annotated[Shell, typer.Argument(metavar="SHELL", help="bash, zsh or fish.")]) -> None:
    """Print what completes linkprobe in a shell: commands, options, addresses, slot names.

    The packages install it. By hand it goes to ~/.local/share/bash-completion/completions/linkprobe for bash (with the
    package bash-completion), to a file _linkprobe in a directory of fpath for zsh, and to
    ~/.config/fish/completions/linkprobe.fish for fish.
    """
    sys.stdout.write(files("probe.cli").joinpath(f"shells/linkprobe.{shell}").read_text())
