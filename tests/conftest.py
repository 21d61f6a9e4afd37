"""Settings that all tests share: no test may fail for being slow on a busy machine."""

import os

from hypothesis import settings

# text is laid out for COLUMNS, which a parallel test runner sets
os.environ.pop("COLUMNS", None)

# built on the profile in force: under CI hypothesis draws the same examples every time
settings.register_profile("house", settings(), deadline=None)
settings.load_profile("house")
