"""Run the command line with ``python -m cleanchain``."""

from cleanchain.cli.interrupts import hear, leave_at_once


def main() -> None:
    """Run the command line; until it has begun, Ctrl-C ends it at once."""
    hear(leave_at_once)
    from cleanchain.cli.main import main as begin

    begin()


if __name__ == "__main__":
    main()
