"""Paths as they are typed."""

from pathlib import Path

import click

from survey.errors import SurveyError


class GivenPath(click.Path):
    """A path that is not empty: an empty name (of a variable that was not set) would mean the folder one stands in."""

    def __init__(self) -> None:
        super().__init__(path_type=Path, readable=False)  # what cannot be read is refused by its reader

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """Turn what was typed into a path.

        Raises
        ------
        SurveyError
            It is empty.
        """
        if value == "":
            name = "a path" if param is None else param.opts[0] if param.opts[0].startswith("-") else param.name
            msg = f"{name}: is empty; give a path"
            raise SurveyError(msg)
        return Path(str(super().convert(value, param, ctx)))  # type: ignore[arg-type]


PATH = GivenPath()
