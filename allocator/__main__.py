"""The command ``allocator``, and ``python -m allocator``."""

import sys


def main() -> int:
    """Run the command line; its exit code. Ctrl-C ends it in one line.

    Not while Python itself starts, some hundredths of a second: that is before any of this is read.
    """
    try:
        from allocator.cli.entry import main as command

        return command()
    except KeyboardInterrupt:  # before the commands are there, or after they have ended
        print("interrupted; no file was left half written", file=sys.stderr)
        return 130


if __name__ == "__main__":
    sys.exit(main())
