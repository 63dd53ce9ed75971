"""Survey sheets: one PDF for each district, or for a feeder."""

import re
from collections.abc import Container
from pathlib import Path

from survey.errors import OutputError
from survey.report.folder import commit, refusal, reserve_folder
from survey.report.reread import SavedSurvey
from survey.report.sheets.book import Book, book_bytes
from survey.report.sheets.content import districts_of, sheet_content
from survey.report.sheets.paper import PAGE_NAMES, PageName, paper
from survey.report.sheets.view import Units


def make_sheets(
    saved: SavedSurvey,
    *,
    out: Path,
    district: str | None = None,
    feeder: str | None = None,
    page: PageName = "letter",
    units: Units = "metric",
) -> list[Path]:
    """Write printable sheets into a folder: overview, details where sites are crowded, table.

    Parameters
    ----------
    saved
        The survey, see :func:`survey.report.reread.read_results`.
    out
        Folder for the files; made when missing.
    district, feeder
        What to print; without both, one file for each district.
    page
        Paper: ``letter``, ``a4``, ``tabloid`` or ``a3``, landscape.
    units
        ``metric`` or ``us`` (feet).

    Returns
    -------
    list of Path
        The files, by district name.

    Raises
    ------
    OutputError
        No such page, district or feeder, no site to print, or ``out`` cannot be written to.
    """
    if page not in PAGE_NAMES:
        msg = f"sheets: no page '{page}'; choose one of {', '.join(PAGE_NAMES)}"
        raise OutputError(msg)
    one_file = district is not None or feeder is not None or len(saved.sites) == 0
    chosen: list[str | None] = [district] if one_file else list(districts_of(saved.sites))
    files: dict[str, bytes] = {}
    for name in chosen:
        content = sheet_content(saved, district=name, feeder=feeder)
        files[file_name(content.title, taken=files)] = book_bytes(Book(content, paper(page), units))
    return _write(files, out)


def file_name(title: str, *, taken: Container[str]) -> str:
    """A file name that any system accepts, made from a title, and not yet taken."""
    stem = "sheets_" + (re.sub(r"[^\w-]+", "_", title.casefold()).strip("_") or "survey")
    name, number = f"{stem}.pdf", 1
    while name in taken:
        number += 1
        name = f"{stem}_{number}.pdf"
    return name


def _write(files: dict[str, bytes], out: Path) -> list[Path]:
    """Write each file aside, then move all into place."""
    with reserve_folder(out) as held:
        try:
            for name, data in files.items():
                (held.staging / name).write_bytes(data)
        except OSError as error:
            raise refusal(out, error) from error
        commit(held, names=tuple(files))
    return [out / name for name in files]
