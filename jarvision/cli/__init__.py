"""The command line."""

import sys

_STOPPED = "Stopped before anything was read."


def main() -> None:
    """Run it; loading it can be stopped as well, and says so."""
    try:
        from jarvision.cli.app import main as run
    except KeyboardInterrupt:
        sys.stderr.write(f"{_STOPPED}\n")
        raise SystemExit(1) from None
    run()
