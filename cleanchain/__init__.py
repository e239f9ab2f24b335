"""Measure home-made pickups and clean their takes, with a ledger of what each step cost."""

__version__ = "0.1.0"
