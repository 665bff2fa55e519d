"""`python -m bridge`: the command line; in a checkout, after the set-up of a first run."""

import sys


def start() -> None:
    """Run the command line.

    Raises:
        SystemExit: Always, with the command's status.
    """
    from bridge import first_run  # here, since a spawned process loads this module and needs none of it

    if first_run.in_checkout():
        first_run.enter()
    try:
        from bridge.cli import main
    except ModuleNotFoundError as missing:
        if (missing.name or "").partition(".")[0] == "bridge":
            raise
        sys.exit(
            f"Tape Bridge needs the package {missing.name}, which {sys.executable} does not have. "
            "Install Tape Bridge into this Python again, with pip."
        )
    main()


if __name__ == "__main__":
    start()
