"""Start of the program, as `planish` or as `python -m level`."""

import os
import sys

from level.cli import run_app

__all__ = ["main"]


def main() -> None:
    """Run the command line and end with its exit code."""
    try:
        code = run_app()
        sys.stdout.flush()
    except BrokenPipeError:
        # the reader has seen enough, as in `planish check run.txt | head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 0
    sys.exit(code)


if __name__ == "__main__":
    main()
