"""ampelog: a cellar's event log, and what its labels may say."""

__version__ = "0.1.0"
