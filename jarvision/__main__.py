"""Run `python -m jarvision`."""

from jarvision.cli import main

main()
