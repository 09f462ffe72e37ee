"""Run the program as ``python -m ampelog``."""

from ampelog.cli import run

run()
