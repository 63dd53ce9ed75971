"""Data findings: what is wrong with, or was assumed of, the records.

A finding is a typed object, gathered and written out, never thrown away. Stages add theirs to a :class:`FindingList`
that is handed through the survey. What can be found stands in ``data/rules.csv``: one rule a row, from which every
finding takes its severity, its layer and its words.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Mapping, Sequence, Set, Sized
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from itertools import chain
from string import Formatter
from typing import TYPE_CHECKING, Any, Final, Literal, Self, cast, overload

if TYPE_CHECKING:
    import pyarrow as pa

Severity = Literal["error", "warning", "assumed"]
SEVERITIES: tuple[Severity, ...] = ("error", "warning", "assumed")
MANY: Final = 10_000
"""Ids from which on a finding keeps them in Arrow."""
FILLED = frozenset({"count", "layer"})
"""Placeholders that every rule may have, filled in from the assets."""


@dataclass(frozen=True)
class Rule:
    """A row of ``data/rules.csv``; its texts hold placeholders, for example ``{count:,}``.

    ``name`` short name, for example ``duplicate_id``; one that holds a placeholder (``default_{field}``) stands for
    several; ``severity`` ``error``: a value could not be used; ``warning``: used, but look at it; ``assumed``: a
    default stood in; ``layers`` input layers that it may be about; ``found``, ``done``, ``todo`` what was found and
    what was expected; what the survey did about it; what to do next.
    """

    name: str
    severity: Severity
    layers: tuple[str, ...]
    found: str
    done: str
    todo: str

    @property
    def message(self) -> str:
        """The whole message, with its placeholders."""
        return "; ".join(part for part in (self.found, self.done, self.todo) if part)

    @property
    def wants(self) -> frozenset[str]:
        """Placeholders to be filled by whoever reports it."""
        return _placeholders(self.name + self.message) - FILLED


@cache
def _placeholders(text: str) -> frozenset[str]:
    return frozenset(name for _, name, _, _ in Formatter().parse(text) if name)


@cache
def rules() -> Mapping[tuple[str, Severity], Rule]:
    """All rules by name and severity, in the order of the table."""
    with files("survey").joinpath("data", "rules.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    found = {}
    for row in rows:
        layers, severity = tuple(row["layer"].split("|")), cast("Severity", row["severity"])
        found[row["rule"], severity] = Rule(row["rule"], severity, layers, row["found"], row["done"], row["todo"])
    return found


def find_rule(name: str, severity: Severity | None = None) -> Rule:
    """Rule of a name.

    Parameters
    ----------
    severity
        Needed where the table has the name with several.

    Raises
    ------
    KeyError
        The table has no such rule, or several.
    """
    found = [rule for rule in rules().values() if rule.name == name and severity in (None, rule.severity)]
    if len(found) != 1:
        msg = f"{len(found)} rules {name!r} of severity {severity or 'any'} in data/rules.csv, expected one"
        raise KeyError(msg)
    return found[0]


class ManyIds(Sequence[str]):
    """Very many ids as one array of Arrow: as texts by themselves they take five times the room.

    Parameters
    ----------
    names
        In rising order.
    """

    def __init__(self, names: pa.LargeStringArray) -> None:
        self.names = names

    @classmethod
    def of(cls, ids: Any) -> Self:  # noqa: ANN401 - whatever Arrow makes text of
        """Ids in any order."""
        import pyarrow as pa
        import pyarrow.compute as pc

        names = pa.array(list(ids) if isinstance(ids, Set) else ids, pa.large_string())
        names = names.combine_chunks() if isinstance(names, pa.ChunkedArray) else names
        rising = pc.all(pc.less_equal(names[:-1], names[1:])).as_py()
        return cls(names if rising else names.take(pc.sort_indices(names)))

    def __len__(self) -> int:
        return len(self.names)

    @overload
    def __getitem__(self, k: int) -> str: ...
    @overload
    def __getitem__(self, k: slice) -> tuple[str, ...]: ...
    def __getitem__(self, k: int | slice) -> str | tuple[str, ...]:
        return tuple(self.names[k].to_pylist()) if isinstance(k, slice) else str(self.names[k].as_py())

    def __iter__(self) -> Iterator[str]:
        return chain.from_iterable(self[first : first + MANY] for first in range(0, len(self), MANY))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and tuple(self) == tuple(other)

    def __lt__(self, other: Sequence[str]) -> bool:
        return tuple(self) < tuple(other)

    def __gt__(self, other: Sequence[str]) -> bool:
        return tuple(self) > tuple(other)

    def __hash__(self) -> int:
        return hash((len(self), self[0]))


def sorted_ids(ids: Iterable[Any]) -> Sequence[str]:
    """Ids in rising order."""
    if isinstance(ids, Sized) and len(ids) >= MANY:
        return ManyIds.of(ids)
    listed = next((getattr(ids, name)() for name in ("to_pylist", "to_list") if hasattr(ids, name)), ids)
    return tuple(sorted(map(str, listed)))


@dataclass(frozen=True)
class Finding:
    """One thing to know about the data.

    Parameters
    ----------
    severity, rule
        As in the table of rules.
    layer
        Input layer the assets belong to: ``cables``, ``transformers``, ``switches`` or ``sources``.
    ids
        Asset ids, sorted.
    message
        What was found, what was expected, what the survey did, what to do next.
    lon, lat
        Place in degrees (WGS 84), when there is one.
    texts
        Recorded values that were not known, and the number of records of each, commonest first.
    """

    severity: Severity
    rule: str
    layer: str
    ids: Sequence[str]
    message: str
    lon: float | None = None
    lat: float | None = None
    texts: tuple[tuple[str, int], ...] = ()

    @property
    def sort_key(self) -> tuple[int, str, str, Sequence[str], str]:
        """Order of the findings table: severity, layer, rule, ids."""
        return (SEVERITIES.index(self.severity), self.layer, self.rule, self.ids, self.message)


@dataclass
class FindingList:
    """Gathers findings through a survey."""

    items: list[Finding] = field(default_factory=list)

    def report(
        self,
        rule: str,
        *,
        ids: Iterable[str],
        layer: str | None = None,
        severity: Severity | None = None,
        place: tuple[float, float] | None = None,
        texts: Iterable[tuple[str, int]] = (),
        **values: Any,  # noqa: ANN401 - whatever a message can hold
    ) -> None:
        """Add one finding about the given assets.

        Parameters
        ----------
        rule
            Name in the table of rules.
        layer, severity
            Where the rule leaves a choice.
        place
            Longitude and latitude in degrees.
        values
            What fills the rule's placeholders; ``{count}`` (of ids) and ``{layer}`` are known.

        Raises
        ------
        KeyError, TypeError
            The table has no such rule, or not for this layer; a placeholder is left empty, or a value has none.
        """
        made = find_rule(rule, severity)
        layer = layer or made.layers[0]
        if layer not in made.layers or made.wants != values.keys():
            msg = f"rule {rule}: layer {layer!r} and values {sorted(values)}, expected {made.layers} and {made.wants}"
            raise TypeError(msg)
        known = sorted_ids(ids)
        filled = {**values, "count": len(known), "layer": layer}
        lon, lat = place if place is not None else (None, None)
        name, message = made.name.format(**filled), made.message.format(**filled)
        self.items.append(Finding(made.severity, name, layer, known, message, lon, lat, tuple(texts)))

    def ordered(self) -> list[Finding]:
        """All findings in the order of the findings table."""
        return sorted(self.items, key=lambda f: f.sort_key)

    def of(self, rule: str) -> list[Finding]:
        """Findings of one rule, in table order."""
        return [f for f in self.ordered() if f.rule == rule]

    def extend(self, findings: Sequence[Finding]) -> None:
        """Add many."""
        self.items.extend(findings)

    def __iter__(self) -> Iterator[Finding]:
        return iter(self.items)

    def __len__(self) -> int:
        return len(self.items)
