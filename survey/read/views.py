"""Views of a GeoPackage, looked at without evaluating them: what is asked of one may take for ever."""

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

GEOMETRY = """
    select g.column_name, g.geometry_type_name, s.organization, s.organization_coordsys_id, s.definition
    from gpkg_geometry_columns g left join gpkg_spatial_ref_sys s using (srs_id) where lower(g.table_name) = lower(?)
"""


@dataclass(frozen=True)
class View:
    """What the GeoPackage says of a view.

    ``fields`` names of its columns, geometry left out; none where the view cannot be understood; ``has_geometry``
    whether it is drawn; ``crs`` text of its coordinate system, empty where none is named.
    """

    fields: tuple[str, ...]
    has_geometry: bool
    crs: str


def read_views(path: Path) -> dict[str, View]:
    """All views of a GeoPackage, by name.

    Raises ``sqlite3.Error``: the file is no database, or damaged.
    """
    with closing(sqlite3.connect(f"file:{quote(str(path))}?mode=ro&immutable=1", uri=True)) as base:
        names = [str(row[0]) for row in base.execute("select name from sqlite_master where type = 'view'")]
        return {name: _view(base, name) for name in names}


def _view(base: sqlite3.Connection, name: str) -> View:
    try:
        columns = [str(row[0]) for row in base.execute("select name from pragma_table_info(?)", [name])]
        drawn = base.execute(GEOMETRY, [name]).fetchone()
    except sqlite3.Error:  # it names a table that is not there
        return View((), has_geometry=False, crs="")
    if drawn is None:
        return View(tuple(columns), has_geometry=False, crs="")
    geometry, _, organization, code, definition = drawn
    known = str(organization).upper() == "EPSG"
    text = f"EPSG:{code}" if known else "" if str(definition).casefold() in {"undefined", "none"} else str(definition)
    return View(tuple(column for column in columns if column != geometry), has_geometry=True, crs=text)
