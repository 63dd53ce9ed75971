"""Tables that belong to a layer: what their columns tell of its rows, by ids or codes that both have."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import pyarrow as pa
import pyarrow.compute as pc

from survey.read.columns import as_text
from survey.read.guess_types import JoinGuess
from survey.read.guess_words import NO_ROLE, plain_words, row_number
from survey.read.profile import FieldProfile, LayerProfile, profile_field
from survey.read.query import column_sql, text_sql

LINKED = 0.9  # share of the values that are in the other table
ENOUGH = 3  # values below which that may be chance
KEY_KINDS = ("text", "integer", "number")
LONGEST_DOMAIN, MOST_FIELDS, HALF = 20_000, 4, 0.5
FILLER = {"id", "no", "cd", "code", "nr", "num", "number", "fk", "key", "idx", "cod", "codigo", "ref", "oid"}


def with_tables(profiles: Sequence[LayerProfile]) -> list[LayerProfile]:
    """Layers with the columns of tables that belong to them: codes spelled, ids looked up, units placed at their bank.

    A table that is drawn by what it is joined to comes as a layer of its own behind the others.
    """
    tables = [profile for profile in profiles if profile.geometry == "none" and profile.rows]
    if not tables:
        return list(profiles)
    domains = [domain for table in tables for domain in _domains(table)]
    spelled = {p.title: _spelled(p, [d for d in domains if d.table is not p]) for p in profiles}
    listed = [spelled[p.title] for p in profiles]
    spelling = {join.table for p in listed for join in p.joins}
    plain = [spelled[table.title] for table in tables if table.name not in spelling]
    drawn = [p for p in listed if p.geometry in ("points", "lines", "mixed")]
    looked = {p.title: _looked_up(p, plain) for p in drawn}
    units = [unit for table in plain if (unit := _placed(table, [looked[p.title] for p in drawn])) is not None]
    return [*(looked.get(p.title, p) for p in listed), *units]


@dataclass(frozen=True)
class _Domain:
    """Codes of a domain and their words: all rows of a table, or those that name the domain."""

    table: LayerProfile
    name: str
    code: str
    words: str
    where: str
    pairs: dict[str, str | None]


def _domains(table: LayerProfile) -> list[_Domain]:
    """Domains that a table spells: one, or one for each value of a column that names them."""
    fields = [f for f in table.fields if not row_number(f.name)]
    if table.rows > LONGEST_DOMAIN or len(fields) > MOST_FIELDS:
        return []
    words = [f for f in fields if f.kind == "text" and f.filled > LINKED and f.numeric < HALF and f.distinct > 1]
    named = _named_domains(table, sorted(words, key=lambda f: f.distinct))
    whole = _whole_domain(table, words)
    return named or ([] if whole is None else [whole])


def _whole_domain(table: LayerProfile, words: Sequence[FieldProfile]) -> _Domain | None:
    unique = [f for f in table.fields if f.unique and f.kind in KEY_KINDS and not row_number(f.name)]
    for spelling in reversed(words):
        codes = [f for f in unique if f is not spelling and _mean_length(f) < _mean_length(spelling)]
        if codes and spelling.distinct > HALF * table.rows:
            code = min(codes, key=_mean_length)
            return _Domain(table, table.name, code.name, spelling.name, "", _pairs(table, code, spelling))
    return None


def _named_domains(table: LayerProfile, words: Sequence[FieldProfile]) -> list[_Domain]:
    for names, code, spelling in product(words, table.fields, words):
        apart = len({names.name, code.name, spelling.name}) == len(("name", "code", "words"))
        grouped = names.distinct < table.rows and not code.unique and code.filled > LINKED
        if apart and grouped and _unique_within(table, names, code):
            return [_part(table, name, names=names, code=code, words=spelling) for name in names.values.to_pylist()]
    return []


def _pairs(
    table: LayerProfile, code: FieldProfile, words: FieldProfile, rows: pa.BooleanArray | None = None
) -> dict[str, str | None]:
    codes, texts = as_text(table.columns[code.name]), as_text(table.columns[words.name])
    if rows is not None:
        codes, texts = codes.filter(rows), texts.filter(rows)
    pairs = zip(codes.to_pylist(), texts.to_pylist(), strict=True)
    return {code: text for code, text in pairs if code is not None}


def _mean_length(field: FieldProfile) -> float:
    lengths = pc.binary_length(field.values) if len(field.values) else pa.array([0])
    return float(pc.mean(lengths).as_py() or 0.0)


def _unique_within(table: LayerProfile, names: FieldProfile, code: FieldProfile) -> bool:
    columns = [pc.fill_null(as_text(table.columns[f.name]), "") for f in (names, code)]
    pairs = pc.binary_join_element_wise(*columns, pa.scalar("\t", pa.large_string()))
    return bool(pc.count_distinct(pairs).as_py() == table.rows)


def _part(table: LayerProfile, name: str, *, names: FieldProfile, code: FieldProfile, words: FieldProfile) -> _Domain:
    where = f"{column_sql(names.name)} = {text_sql(name)}"
    rows = pc.fill_null(pc.equal(as_text(table.columns[names.name]), name), False)  # noqa: FBT003
    return _Domain(table, name, code.name, words.name, where, _pairs(table, code, words, rows))


def _spelled(profile: LayerProfile, domains: Sequence[_Domain]) -> LayerProfile:
    """Layer with the words of its codes instead of the codes."""
    for field in profile.fields:
        fitting = [d for d in domains if _spells(d, field)]
        if not fitting:
            continue
        domain = max(fitting, key=lambda d: akin(field.name, d.name))
        name = _free_name(field.name, profile)
        evidence = f"{domain.name} spells the codes of {field.name}"
        join = JoinGuess(name, domain.table.name, field.name, domain.code, domain.where, evidence, sure=True)
        coded = as_text(profile.columns[field.name]).dictionary_encode()
        words = [domain.pairs.get(code) for code in coded.dictionary.to_pylist()]
        column = pa.array(words, pa.large_string()).take(coded.indices)
        new = f"{name}.{domain.words}"
        spelled = profile_field(new, column, label=field.name)
        fields = tuple(spelled if f.name == field.name else f for f in profile.fields)
        profile = replace(
            profile, fields=fields, columns={**profile.columns, new: column}, joins=(*profile.joins, join)
        )
    return profile


def _spells(domain: _Domain, field: FieldProfile) -> bool:
    """Whether a domain has all codes of a field, and a name like its."""
    coded = bool(field.codes) and field.kind != "other" and set(field.codes) <= set(domain.pairs)
    return coded and akin(field.name, domain.name) > 0


def akin(name: str, other: str) -> float:
    """How much two names have in common: letters of the words that are the same, or cut short of one another."""
    mine = [w for w in plain_words(name).split() if w not in FILLER]
    theirs = [w for w in plain_words(other).split() if w not in FILLER]
    shared = [max((len(w) for t in theirs if _same(w, t)), default=0) for w in mine]
    short, long = sorted(("".join(mine), "".join(theirs)), key=len)
    joined = len(short) if len(short) > 2 and short in long else 0
    return max(sum(shared), joined) / max(len(long), 1)


def _same(word: str, other: str) -> bool:
    short, long = sorted((word, other), key=len)
    if word == other:
        return True
    letters = iter(long)
    return len(short) >= 3 and short[0] == long[0] and all(letter in letters for letter in short)


def _free_name(column: str, profile: LayerProfile) -> str:
    """Name for a join: the words of the column, not used otherwise."""
    base = "_".join(w for w in plain_words(column).split() if w not in FILLER) or "other"
    taken = {profile.name.casefold(), *(f.name.casefold() for f in profile.fields), *(j.name for j in profile.joins)}
    while base in taken:
        base += "_t"
    return base


def _looked_up(profile: LayerProfile, tables: Sequence[LayerProfile]) -> LayerProfile:
    """Layer with the columns of tables of which every row has one row at most."""
    for table in tables:
        link = _link(profile, table, many=True)
        if link is not None:
            profile = _joined(profile, table, mine=link[0], theirs=link[1])
    return profile


def _link(profile: LayerProfile, table: LayerProfile, *, many: bool) -> tuple[FieldProfile, FieldProfile] | None:
    """Columns of a layer and of a table in which an id of the table stands; the likeliest pair.

    With ``many`` rows of the layer to one of the table; else the table is the one that refers.
    """
    best: tuple[float, FieldProfile, FieldProfile] | None = None
    for theirs in (f for f in table.fields if f.unique and len(f.values)):
        for mine in (f for f in profile.fields if len(f.values) and "." not in f.name):
            if many and mine.unique and theirs.distinct > mine.distinct:
                continue
            score = _link_score(mine, theirs, profile.name, table.name)
            if score > 0 and (best is None or score > best[0]):
                best = (score, mine, theirs)
    return None if best is None else best[1:]


def _link_score(mine: FieldProfile, theirs: FieldProfile, layer: str, table: str) -> float:
    """How likely values of one column are ids of the other; numbers, which are so by chance, need a name that fits."""
    number = len(mine.values)
    if row_number(mine.name):
        return 0.0
    names = max(akin(mine.name, theirs.name), akin(mine.name, table), 0.9 * akin(theirs.name, layer))
    by_chance = mine.numeric > 0 or number < ENOUGH
    if by_chance and names <= 0:
        return 0.0
    linked = int(pc.sum(pc.is_in(mine.values, value_set=theirs.values)).as_py() or 0)
    return (0.0 if linked < LINKED * number else 1.0 + names) if number else 0.0


def _joined(profile: LayerProfile, table: LayerProfile, *, mine: FieldProfile, theirs: FieldProfile) -> LayerProfile:
    """Layer with the columns of a table by the row that has its id; those that both have stay the layer's own."""
    name = _free_name(table.name, profile)
    at = pc.index_in(as_text(profile.columns[mine.name]), value_set=as_text(table.columns[theirs.name]))
    known = int(pc.sum(pc.is_valid(at)).as_py() or 0)
    evidence = f"{mine.name} has ids of {table.name} ({known:,} of {profile.rows:,} rows)"
    join = JoinGuess(name, table.name, mine.name, theirs.name, "", evidence, sure=True)
    taken = {j.name for j in (*profile.joins, join)}
    names = {j.name: j.name if j.name not in taken else f"{name}_{j.name}" for j in table.joins}
    columns, fields = dict(profile.columns), list(profile.fields)
    for field in (f for f in table.fields if f is not theirs):
        before, _, column = field.name.rpartition(".")
        new = f"{names[before] if before else name}.{column}"
        columns[new] = table.columns[field.name].take(at)
        fields.append(profile_field(new, columns[new], label=field.label))
    inner = tuple(replace(j, name=names[j.name], mine=f"{name}.{j.mine}") for j in table.joins)
    return replace(profile, fields=tuple(fields), columns=columns, joins=(*profile.joins, join, *inner))


def _placed(table: LayerProfile, layers: Sequence[LayerProfile]) -> LayerProfile | None:
    """Table whose rows each belong to one of a drawn layer, drawn where that is; ``None`` where it is not such."""
    fitting = [p for p in layers if p.geometry == "points" and p.hint != NO_ROLE and HALF * p.rows <= table.rows]
    links = [(link, layer) for layer in fitting if (link := _link(table, layer, many=True)) is not None]
    if not links:
        return None
    link, layer = max(links, key=lambda found: _link_score(found[0][0], found[0][1], table.name, found[1].name))
    joined = _joined(replace(table, told=layer.told), layer, mine=link[0], theirs=link[1])
    at = pc.index_in(as_text(table.columns[link[0].name]), value_set=as_text(layer.columns[link[1].name]))
    wkb = None if layer.raw.wkb is None else layer.raw.wkb.take(at)
    hint = table.hint if table.hint not in ("", "none") else layer.hint
    title = f"{table.name} at {layer.name}"
    raw = replace(joined.raw, wkb=wkb)
    key = next(f.name for f in table.fields if f is link[0])
    return replace(
        joined,
        own_key=key,
        at_key=link[1].name,
        geometry=layer.geometry,
        crs=layer.crs,
        extent=layer.extent,
        raw=raw,
        hint=hint,
        title=title,
        at=layer.title,
    )
