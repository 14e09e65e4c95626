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
        code = 0
        _drop_output()
    except OSError as fault:
        code = 2
        _drop_output()
        print(f"planish: the answer cannot be written ({fault.strerror})", file=sys.stderr)
    sys.exit(code)


def _drop_output() -> None:
    """Let what is still to be written go nowhere, so that Python does not complain at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


if __name__ == "__main__":
    main()
