"""Strings of TOML as they may be shown on a terminal."""


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
