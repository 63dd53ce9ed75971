"""Text as it is shown and typed: wrapped to a terminal, quoted for TOML, names compared as people write them."""

import shutil
import textwrap
import unicodedata

LABEL, UNDER = 12, 4
NARROWEST, WIDEST, NOT_A_TERMINAL = 40, 120, 100
TABLE = 80
"""What tables need, and take no more of."""


def terminal_width() -> int:
    """Columns to fill."""
    columns = shutil.get_terminal_size((NOT_A_TERMINAL, 24)).columns
    return min(max(columns, NARROWEST), WIDEST)


def labelled(label: str, text: str, *, indent: int = LABEL) -> str:
    """The text beside its label; further lines under the first, or all of it under its label where there is no room."""
    width = terminal_width()
    if indent > width // 2:
        return f"{label.rstrip()}\n{labelled('', text, indent=UNDER)}"
    return textwrap.fill(
        text,
        width,
        initial_indent=f"{label:<{indent}}",
        subsequent_indent=" " * indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def fitted(line: str) -> str:
    """A line that is too long for a narrow terminal, in several; any other as it is."""
    width = terminal_width()
    if len(line) <= width or width >= TABLE:
        return line
    start = min(len(line) - len(line.lstrip()), UNDER)
    words = " ".join(line.split())
    return textwrap.fill(
        words,
        width,
        initial_indent=" " * start,
        subsequent_indent=" " * (start + 2),
        break_long_words=False,
        break_on_hyphens=False,
    )


def without_accents(text: str) -> str:
    """Text without the marks on its letters.

    Examples
    --------
    >>> without_accents("Bréville")
    'Breville'
    """
    if text.isascii():
        return text
    return "".join(letter for letter in unicodedata.normalize("NFKD", text) if not unicodedata.combining(letter))


def same_names(typed: str, names: list[str]) -> list[str]:
    """The name itself where it is one of them; else those that differ in letter case, accents and blanks only.

    Examples
    --------
    >>> same_names("peñas  altas", ["Penas Altas", "North"]), same_names("north", ["North", "north"])
    (['Penas Altas'], ['north'])
    """
    if typed in names:
        return [typed]
    wanted = _folded(typed)
    return [name for name in names if _folded(name) == wanted]


def _folded(name: str) -> str:
    return " ".join(without_accents(name).casefold().split())


def quoted(text: str) -> str:
    r"""Write a basic string of TOML; what a terminal would act on is written as its number.

    Examples
    --------
    >>> print(quoted('5" duct'))
    "5\" duct"
    """
    return f'"{"".join(map(_escaped, text))}"'


def _escaped(char: str) -> str:
    if char in {'"', "\\"}:
        return f"\\{char}"
    return char if char.isprintable() else f"\\U{ord(char):08X}"
