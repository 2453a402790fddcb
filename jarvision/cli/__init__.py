"""The command line."""

from jarvision.cli.app import main

__all__ = ["main"]
