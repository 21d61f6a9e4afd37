"""``python -m allocator``: the same as the command ``allocator``."""

import sys

from allocator.cli.entry import main

if __name__ == "__main__":
    sys.exit(main())
