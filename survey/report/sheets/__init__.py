"""Printable sheets of a district or feeder; see :func:`survey.report.sheets.make.make_sheets`."""

from survey.report.sheets.make import make_sheets

__all__ = ["make_sheets"]
