"""The commands: they parse and print, nothing else."""


def main() -> None:
    """Run the program; every failure is one line on standard error and an exit status."""
    # Not before it is asked for: a process that is started to measure begins by importing this module.
    from sentinel.cli.program import main as run  # noqa: PLC0415

    run()
