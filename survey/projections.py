"""Coordinate systems, and the ways from one to another: each is looked up in the projection library's tables once."""

from functools import lru_cache

from pyproj import CRS, Transformer

KEPT = 64
"""Judgement: an export has one or two systems, a book of sheets one more; a process may survey many exports."""


@lru_cache(KEPT)
def crs_of(text: str) -> CRS:
    """Coordinate system that a text means: a code, a definition. Raises ``pyproj.exceptions.CRSError``: none."""
    return CRS.from_user_input(text)


@lru_cache(KEPT)
def projection(source: CRS | str, target: CRS | str) -> Transformer:
    """From one coordinate system to another, x or longitude first. Raises ``pyproj.exceptions.ProjError``: no way."""
    return Transformer.from_crs(source, target, always_xy=True)
