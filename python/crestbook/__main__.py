"""The `crestbook` command."""

from __future__ import annotations

import signal
import sys

from . import _engine


def main() -> int:
    """Runs the command line."""
    # Ctrl-C is the engine's: it ends cleanly at the first.
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    return _engine.run_cli(["crestbook", *sys.argv[1:]])


if __name__ == "__main__":
    sys.exit(main())
