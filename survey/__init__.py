"""Feeder-wide ferroresonance survey of a distribution network.

Ranks sites for engineering review. It clears nobody to switch: local switching rules and licensed engineers decide.
"""

__version__ = "0.1.0"

CAUTION = (
    "Ranks sites for engineering review. It clears nobody to switch: "
    "local switching rules and licensed engineers decide."
)
