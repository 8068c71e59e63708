"""`tallywell`, and `python -m cli`: from here on ctrl-C is no traceback, also while the commands load."""

import sys


def run() -> None:
    """The program's entry."""
    try:
        from cli.main import run as run_command

        run_command()
    except KeyboardInterrupt:
        sys.exit(130)  # 128 + SIGINT, as shells say it


if __name__ == "__main__":
    run()
