"""Names as people type them: letter case and accents do not tell one from another."""

import unicodedata


def without_accents(text: str) -> str:
    """Text without the marks on its letters.

    Examples
    --------
    >>> without_accents("Bréville")
    'Breville'
    """
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
