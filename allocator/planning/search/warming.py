"""The path search compiled beside other work: the first run on a machine must not wait for it.

Compiling takes half a minute of one core and is then kept on disk. Meanwhile the solver works in
code of its own, so a thread is enough.
"""

from __future__ import annotations

import contextlib
import threading

from allocator.planning.search.records import Arrays


class Warming:
    """A thread that begins the path search once on a site's arrays, which compiles it."""

    def __init__(self, arrays: Arrays) -> None:
        self._thread = threading.Thread(
            target=_run_once, args=(arrays,), name="compile paths", daemon=True
        )
        self._thread.start()

    def done(self, seconds: float) -> bool:
        """True when the search is compiled; waits for it no longer than some seconds."""
        self._thread.join(max(seconds, 0.0))
        return not self._thread.is_alive()


def _run_once(arrays: Arrays) -> None:
    from allocator.planning.search.starts import begun, continued

    # whatever is wrong here is wrong in the search itself, and is told there
    with contextlib.suppress(Exception):
        continued(arrays, begun(arrays, 0, arrays.weight), 1, 0)
