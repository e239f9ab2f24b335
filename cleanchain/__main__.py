"""Run the command line with ``python -m cleanchain``."""

import os
import signal


def main() -> None:
    """Run the command line; until it has begun, Ctrl-C ends it at once."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        # Even the import of what listens to it takes its time.
        signal.signal(signal.SIGINT, lambda *_: os._exit(130))
    from cleanchain.cli.interrupts import hear, leave_at_once

    hear(leave_at_once)
    from cleanchain.cli.main import main as begin

    begin()


if __name__ == "__main__":
    main()
