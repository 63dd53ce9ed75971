"""The map: one HTML page that opens without a network."""

from survey.report.map.render import render_map

__all__ = ["render_map"]
