"""The page around the pages of the plans: its text, style and script."""

from __future__ import annotations

from html import escape
from importlib import resources

from allocator.report.page import page_style


def shell_html(name: str) -> str:
    """The page for a site of this name."""
    return _text("view.html").replace("SITE", escape(name))


def shell_style() -> str:
    """The style of the pages of plans, and what is added to it."""
    return f"{page_style()}{_text('view.css')}"


def shell_script() -> str:
    """The script of the page."""
    return _text("view.js")


def _text(name: str) -> str:
    home = resources.files("allocator.view").joinpath("templates", name)
    return home.read_text(encoding="utf-8")
