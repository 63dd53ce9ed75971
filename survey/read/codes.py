"""Coded values → what they stand for, one text at a time."""

from collections.abc import Callable, Mapping

from survey.input_schema import fold_code
from survey.input_settings import NUMBER

UNLISTED = "code "
"""Before a number that is a code nobody has given a meaning, so that it is never taken for the value itself."""


def replacer(codes: Mapping[str, str], *, numbers: bool) -> Callable[[str], str]:
    """Function that replaces a code.

    ``codes``: ours by theirs; letter case, hyphens and underscores do not matter. ``numbers``: whether the values stand
    for numbers: where all codes are numbers, any other number is a code, too.
    """
    table = {fold_code(theirs): ours for theirs, ours in codes.items()}
    strict = numbers and bool(table) and all(NUMBER.match(theirs) for theirs in codes)

    def replaced(text: str) -> str:
        ours = table.get(fold_code(text))
        return ours if ours is not None else UNLISTED + text if strict else text

    return replaced


def spelled_bits(text: str, *, bits: str) -> str:
    """Phases of a mask of bits, spelled; what is no number from 1 to 7 stays as it is, marked as a mask.

    Examples
    --------
    >>> spelled_bits("5", bits="ABC"), spelled_bits("5", bits="CBA"), spelled_bits("9", bits="ABC")
    ('AC', 'AC', 'mask 9')
    >>> spelled_bits("1", bits="CBA")
    'C'
    """
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= 7):
        return f"mask {text}"
    return "".join(sorted(letter for i, letter in enumerate(bits) if int(text) >> i & 1))
