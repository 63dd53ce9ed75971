"""Files → clean tables; see DEVELOPERS.md, Structure: read."""

from survey.read.reader import read_network

__all__ = ["read_network"]
