"""Printable sheets of a district or feeder; see :func:`survey.report.sheets.book.make_sheets`."""

from survey.report.sheets.book import make_sheets

__all__ = ["make_sheets"]
