"""Data findings: what is wrong with, or was assumed of, the records.

A finding is a typed object, gathered and written out, never thrown away. Stages add theirs to a :class:`FindingList`
that is handed through the survey.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal

Severity = Literal["error", "warning", "assumed"]
SEVERITIES: tuple[Severity, ...] = ("error", "warning", "assumed")


@dataclass(frozen=True)
class Finding:
    """One thing to know about the data.

    Parameters
    ----------
    severity
        ``error``: a value could not be used; ``warning``: used, but look at it; ``assumed``: a default stood in.
    rule
        Short name of the rule that was not met, lower case with underscores, for example ``duplicate_id``.
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
    ids: tuple[str, ...]
    message: str
    lon: float | None = None
    lat: float | None = None
    texts: tuple[tuple[str, int], ...] = ()

    @property
    def sort_key(self) -> tuple[int, str, str, tuple[str, ...], str]:
        """Order of the findings table: severity, layer, rule, ids."""
        return (SEVERITIES.index(self.severity), self.layer, self.rule, self.ids, self.message)


@dataclass
class FindingList:
    """Gathers findings through a survey."""

    items: list[Finding] = field(default_factory=list)

    def add(
        self,
        severity: Severity,
        rule: str,
        *,
        layer: str,
        ids: Iterable[str],
        message: str,
        place: tuple[float, float] | None = None,
        texts: Iterable[tuple[str, int]] = (),
    ) -> None:
        """Add one finding about the given assets; ``place`` is (lon, lat) in degrees."""
        lon, lat = place if place is not None else (None, None)
        known = tuple(sorted(map(str, ids)))
        self.items.append(Finding(severity, rule, layer, known, message, lon, lat, tuple(texts)))

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
