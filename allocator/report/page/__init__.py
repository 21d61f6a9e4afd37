"""The page: a plan to look at, in one file that needs no network."""

from allocator.report.page.page import PageStudies, page_html, page_style, study_page

__all__ = ["PageStudies", "page_html", "page_style", "study_page"]
