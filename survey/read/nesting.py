"""How deep geometries lie in one another, found without recursion: parsers of well-known binary have one stack."""

import struct

DEEPEST = 3
"""A collection of multiple lines; nothing deeper is any line."""
_HAS_Z, _HAS_M, _HAS_SRID = 0x8000_0000, 0x4000_0000, 0x2000_0000
_FLAGS_OFF = 0x0FFF_FFFF
_POINT, _RUNS, _RINGS = 1, frozenset({2, 8}), frozenset({3, 17})
_COLLECTIONS = frozenset({4, 5, 6, 7, 9, 10, 11, 12, 15, 16})


def too_deep(wkb: bytes) -> bool:
    """Whether geometries lie deeper in one another than those of a line; False for what cannot be read.

    Layout as in OGC 06-103r4, 8.2; types with height and measure as in ISO 13249-3, or as high bits.
    """
    left, at = [1], 0
    while left:
        if left[-1] == 0:
            left.pop()
            continue
        left[-1] -= 1
        if len(left) > DEEPEST:
            return True
        if len(wkb) < at + 9:
            return False
        base, count, at = _head(wkb, at)
        if base in _COLLECTIONS:
            left.append(count)
        elif count < 0 or at > len(wkb):
            return False
    return False


def _head(wkb: bytes, at: int) -> tuple[int, int, int]:
    """Type of the geometry at a place, how many it holds (-1: not known), and where the next one begins."""
    order = "<" if wkb[at] == 1 else ">"
    kind, count = struct.unpack_from(f"{order}II", wkb, at + 1)
    at += 4 if kind & _HAS_SRID else 0
    if kind & _HAS_SRID and len(wkb) >= at + 9:
        (count,) = struct.unpack_from(f"{order}I", wkb, at + 5)
    high = (kind & _FLAGS_OFF) // 1000
    vertex = 8 * (2 + max(bool(kind & _HAS_Z) + bool(kind & _HAS_M), {0: 0, 1: 1, 2: 1, 3: 2}.get(high, 0)))
    base = (kind & _FLAGS_OFF) % 1000
    if base == _POINT:
        return base, 0, at + 5 + vertex
    if base in _RUNS:
        return base, 0, at + 9 + vertex * count
    if base in _RINGS:
        return base, 0, _after_rings(wkb, at + 9, count, order=order, vertex=vertex)
    return base, count if base in _COLLECTIONS else -1, at + 9


def _after_rings(wkb: bytes, at: int, count: int, *, order: str, vertex: int) -> int:
    for _ in range(count):
        if len(wkb) < at + 4:
            break
        at += 4 + vertex * struct.unpack_from(f"{order}I", wkb, at)[0]
    return at
