"""The currency of a site: a short text, in a file and in Python."""

from __future__ import annotations

from dataclasses import replace

import pytest
from handmade_cove import COVE

from allocator.base.errors import SiteFileError
from allocator.network.deriving import network_of


def test_a_currency_is_a_short_text() -> None:
    with pytest.raises(SiteFileError, match="12 characters on one line at most"):
        network_of(replace(COVE, currency="a currency that nobody has"))
