"""Worker processes that end with the process that started them, however that ends."""

from __future__ import annotations

import os
import threading
import time

LOOK = 0.5
"""s between looks: a worker outlives its parent by no more than about this."""


def end_with_parent(parent: int) -> None:
    """End this process soon after its parent is gone; nothing has to tell it.

    Args:
        parent: the identifier of the process that started this one. It may be gone by now.
    """
    threading.Thread(target=_watch, args=(parent,), name="parent watch", daemon=True).start()


def _watch(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(LOOK)
    os._exit(1)  # at once: nobody is left to take what it is at
