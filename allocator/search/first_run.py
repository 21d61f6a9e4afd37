"""The first run of a version: the search is compiled before the time of its plan begins.

Only where nobody said how long the plan may take, and only for a site whose search is compiled at
all. Elsewhere it is compiled beside the plan (:mod:`allocator.search.paths.warming`), and so it is
where compiling fails, or takes too long.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from allocator.base.compiling import kept_in
from allocator.model.stating import offered
from allocator.network.deriving import network_of
from allocator.search.bound_worker import cores
from allocator.search.paths.network import first_service, path_network_of
from allocator.search.paths.repair import has_path_search
from allocator.search.paths.warming import all_compiled, compile_all, first_run_note
from allocator.site.records import Site
from allocator.solver.settings import Settings

NOTE = "first run of this version: compiling the search, once, about 20 s (not in the time limit)"


def compiled_first(site: Site, settings: Settings, tell: Callable[[str], object]) -> float:
    """Compile the search of a site, where it has one and that was not done before; seconds it took.

    Parameters
    ----------
    site : Site
        Whose search is to be compiled.
    settings : Settings
        Of its plan. With a node limit nothing is waited for: that search compiles as it goes.
    tell : function
        Called with :data:`NOTE` where there is something to wait for, and with what to do where
        nothing can be kept.

    Raises
    ------
    KeyboardInterrupt
        Ctrl-C while it waits; nothing is compiled on.
    """
    began = time.perf_counter()
    if settings.node_limit is not None or all_compiled():
        return 0.0
    sets = offered(network_of(site), settings.basis, settings.robustness)
    goal = first_service(sets)
    if goal is None or not has_path_search(sets):
        return 0.0
    made = path_network_of(sets, goal)
    if made is None:
        return 0.0
    if kept_in() is None:  # what another process compiles would be lost
        tell(first_run_note())
        return 0.0
    tell(NOTE)
    compile_all(made[0], side_by_side=cores() > 1)
    return time.perf_counter() - began
