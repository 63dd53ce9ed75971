"""Printable sheets of a district or feeder; see :func:`survey.report.sheets.printing.make_sheets`."""

from survey.report.sheets.printing import make_sheets

__all__ = ["make_sheets"]
