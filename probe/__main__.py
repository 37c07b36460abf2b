"""Run as `python -m probe`."""

from probe.cli.main import main

main()
