"""Run `python -m jarvision`."""

from jarvision.cli.app import main

main()
