"""Run the command line with ``python -m cleanchain``."""

from cleanchain.cli.main import main

main()
