"""Run the program as ``python -m ampelog``."""

from ampelog.cli import main

raise SystemExit(main())
