"""The commands: they parse and print, nothing else."""

from sentinel.cli.program import main

__all__ = ["main"]
