"""Which layers, tables and columns make a role, and the one query that puts them together."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from survey.errors import LayerError
from survey.input_schema import field_specs
from survey.input_settings import Join, LayerMap, Part
from survey.read.formats import LayerInfo
from survey.read.matching import find_layer, find_name, missing_field
from survey.read.query import GEOMETRY, ROW, as_text_name, mentioned, quoted_name

FOUND = "found in "


@dataclass(frozen=True)
class Recipe:
    """How to make the rows of a part, or of a whole role by a query of its own.

    ``key`` the settings key it stems from; ``part`` what the settings say; ``sql`` the query; ``columns``, ``texts``
    columns that are needed of each layer, by its name, and those that are compared or put together as text; ``layers``
    the layers, by name; the first one gives the rows; ``joins`` table of each join by its name; ``owners`` for each of
    our fields that is one column of the first layer: that column.
    """

    key: str
    part: Part
    sql: str
    columns: dict[str, list[str]]
    texts: dict[str, list[str]]
    layers: dict[str, LayerInfo]
    joins: dict[str, LayerInfo]
    owners: dict[str, str]


def make_recipes(infos: Sequence[LayerInfo], *, name: str, mapping: LayerMap, path: Path) -> tuple[Recipe, ...]:
    """Recipes of a role that is more than one layer as it is.

    ``infos``: layers of the export. ``name``, ``mapping``: our layer, and what the settings say of it. ``path``: the
    export, for messages. Raises ``LayerError``, ``FieldError``: a layer, table or column that the settings name is not
    there.
    """
    key = f"input.{name}"
    if mapping.query:
        return (_query_recipe(infos, key=f"{key}.query", mapping=mapping, path=path),)
    if not mapping.parts:
        return (_Maker(infos, name=name, part=mapping, shared=Part(), key=key, path=path).recipe(),)
    numbered = enumerate(mapping.parts, start=1)
    return tuple(
        _Maker(infos, name=name, part=part, shared=mapping, key=f"{key}.parts[{number}]", path=path).recipe()
        for number, part in numbered
    )


def _query_recipe(infos: Sequence[LayerInfo], *, key: str, mapping: LayerMap, path: Path) -> Recipe:
    sql = str(mapping.query)
    used = [info for info in infos if info.name.casefold() in sql.casefold()]
    if not used:
        there = ", ".join(f"'{info.name}'" for info in infos) or "none"
        msg = f"{path}: settings key {key} names no layer of the export; layers there: {there}"
        raise LayerError(msg)
    columns = {info.name: mentioned(info.fields, [sql]) for info in used}
    layers = {info.name: info for info in used}
    return Recipe(key, mapping, sql, columns, {}, layers, {}, {})


class _Maker:
    """Makes the recipe of one part."""

    def __init__(
        self, infos: Sequence[LayerInfo], *, name: str, part: Part, shared: Part, key: str, path: Path
    ) -> None:
        self._name, self._part, self._shared, self._key = name, part, shared, key
        self._base = find_layer(infos, wanted=part.layer or name, key=f"{key}.layer", path=path)
        self._tables: dict[str, LayerInfo] = {
            join: find_layer(infos, wanted=said.table or join, key=f"{key}.joins.{join}", path=path)
            for join, said in part.joins.items()
        }
        self._columns: dict[str, list[str]] = {info.name: [] for info in (self._base, *self._tables.values())}
        self._texts: dict[str, list[str]] = {info.name: [] for info in (self._base, *self._tables.values())}
        self._owners: dict[str, str] = {}

    def recipe(self) -> Recipe:
        """Put the query together."""
        chosen = [f"{sql} as {quoted_name(ours)}" for ours, sql in self._fields().items()]
        drawn = next((a for a, info in self._aliases() if info.has_geometry), None)
        if drawn is not None:
            chosen.append(f"{quoted_name(drawn)}.{GEOMETRY} as {GEOMETRY}")
        own = quoted_name(self._base.name)
        chosen.append(f"{own}.{quoted_name(ROW)} as {quoted_name(ROW)}")
        chosen += [f"{quoted_name(j)}.{quoted_name(ROW)} is not null as {quoted_name(FOUND + j)}" for j in self._tables]
        condition = self._sql(self._part.where or "true")
        joins = " ".join(self._joined(join, said) for join, said in self._part.joins.items())
        sql = f"select {', '.join(chosen)} from {own} {joins} where ({condition})"  # noqa: S608 - it reads the export only
        layers = {info.name: info for info in (self._base, *self._tables.values())}
        return Recipe(self._key, self._part, sql, self._columns, self._texts, layers, self._tables, self._owners)

    def _aliases(self) -> Iterator[tuple[str, LayerInfo]]:
        yield self._base.name, self._base
        yield from self._tables.items()

    def _fields(self) -> dict[str, str]:
        """SQL of each of our fields: as the part says, as is said for all parts, or by a column of our own name."""
        part, shared = self._part, self._shared
        found = {ours: self._column(theirs, ours=ours) for ours, theirs in part.fields.items()}
        found |= {ours: self._sql(text) for ours, text in part.values.items()}
        taken = {find_name(theirs, self._base.fields) for theirs in part.fields.values() if isinstance(theirs, str)}
        for ours in field_specs(self._name):
            theirs = shared.fields.get(ours, ours)
            theirs = theirs if isinstance(theirs, str) else ""
            there = find_name(theirs, self._base.fields)
            if ours not in found and there is not None and (ours in shared.fields or there not in taken):
                found[ours] = self._column(there, ours=ours)
        return {ours: found[ours] for ours in field_specs(self._name) if ours in found}

    def _column(self, theirs: str | tuple[str, ...], *, ours: str) -> str:
        key = f"{self._key}.fields.{ours}"
        if isinstance(theirs, str):
            alias, info, column = self._find(theirs, key=key)
            self._columns[info.name].append(column)
            if alias == self._base.name:
                self._owners[ours] = column
            return f"{quoted_name(alias)}.{quoted_name(column)}"
        return f"concat_ws(' ', {', '.join(self._text(one, key=key) for one in theirs)})"

    def _text(self, theirs: str, *, key: str) -> str:
        alias, info, column = self._find(theirs, key=key)
        self._texts[info.name].append(column)
        return f"{quoted_name(alias)}.{quoted_name(as_text_name(column))}"

    def _find(self, theirs: str, *, key: str) -> tuple[str, LayerInfo, str]:
        """Alias, table and column of a name: of the layer itself, or ``join.column``."""
        own = find_name(theirs, self._base.fields)
        if own is not None:
            return self._base.name, self._base, own
        for alias, info in self._aliases():
            if theirs.casefold().startswith(f"{alias}.".casefold()):
                column = find_name(theirs[len(alias) + 1 :], info.fields)
                if column is None:
                    raise missing_field(info, theirs=theirs[len(alias) + 1 :], key=key)
                return alias, info, column
        raise missing_field(self._base, theirs=theirs, key=key)

    def _sql(self, text: str) -> str:
        """Take an SQL expression as it is, once it is clear which columns it needs."""
        for info in {info.name: info for _, info in self._aliases()}.values():
            self._columns[info.name] += mentioned(info.fields, [text])
        return text

    def _joined(self, name: str, join: Join) -> str:
        table, key = self._tables[name], f"{self._key}.joins.{name}"
        pairs = []
        for mine, theirs in join.on.items():
            column = find_name(theirs, table.fields)
            if column is None:
                raise missing_field(table, theirs=theirs, key=f"{key}.on.{mine}")
            self._texts[table.name].append(column)
            other = f"{quoted_name(name)}.{quoted_name(as_text_name(column))}"
            pairs.append(f"{self._text(mine, key=f'{key}.on')} = {other}")
        condition = join.where or "true"
        self._columns[table.name] += mentioned(table.fields, [condition])
        rows = f"(select * from {quoted_name(table.name)} where ({condition}))"  # noqa: S608 - as above
        return f"left join {rows} as {quoted_name(name)} on {' and '.join(pairs)}"


def columns_there(infos: Sequence[LayerInfo]) -> Mapping[str, Sequence[str]]:
    """Columns of every table, for messages."""
    return {info.name: (*info.fields, GEOMETRY) if info.has_geometry else info.fields for info in infos}
