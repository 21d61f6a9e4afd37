"""Processes of a pool leave Ctrl-C to the process that began them, which never misses it."""

import os
import signal
import subprocess
import sys

import pytest

from allocator.base.process_pool import interrupts_deferred, process_pool


def test_an_interrupt_within_is_heard_at_the_end() -> None:
    """It was ignored while a pool took a case: then Ctrl-C did nothing, some one time in many."""
    reached = []

    def interrupted() -> None:
        with interrupts_deferred():
            os.kill(os.getpid(), signal.SIGINT)
            reached.append(True)

    before = signal.getsignal(signal.SIGINT)
    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert reached
    assert signal.getsignal(signal.SIGINT) is before
    assert not signal.pthread_sigmask(signal.SIG_BLOCK, []) & {signal.SIGINT}


def test_a_process_begun_within_does_not_hear_of_it() -> None:
    code = "import os, signal; os.kill(os.getpid(), signal.SIGINT); print('lives')"
    with interrupts_deferred():
        run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert run.stdout == "lives\n"


def test_an_interrupt_while_a_case_is_handed_over_ends_the_work() -> None:
    """The pool takes the case whole, and what begins with it is ended with the rest."""

    def handed_over() -> None:
        with process_pool(1) as pool, interrupts_deferred():
            pool.submit(os.getpid)
            os.kill(os.getpid(), signal.SIGINT)

    with pytest.raises(KeyboardInterrupt):
        handed_over()
