"""Winding families: what the study and the screen take a transformer for, in one table.

Connection and core are the codes of the input (``survey/data/input_codes.csv``). Everything that depends on the kind of
winding reads it here.
"""

from dataclasses import dataclass
from enum import IntEnum
from typing import Final, Literal

Screen = Literal["xc_xm", "charge_loss"]


class Circuit(IntEnum):
    """Circuit laws of the study."""

    DELTA = 0
    FLOATING_WYE = 1
    FIVE_LEGGED = 2
    OPEN_DELTA = 3


@dataclass(frozen=True)
class Family:
    """A winding family that can ring.

    ``circuit`` circuit law; ``title`` in plain words; ``screen`` which ratio clears it: Xc/Xm at or above its limit, or
    charging over core loss at or below; ``default`` that limit, where the settings give no other [-].
    """

    circuit: Circuit
    title: str
    screen: Screen
    default: float

    @property
    def name(self) -> str:
        """The circuit's name in small letters, as in columns and settings."""
        return self.circuit.name.lower()

    @property
    def limit(self) -> str:
        """Name of its limit in the settings."""
        return f"{self.name}_{self.screen}"


@dataclass(frozen=True)
class Construction:
    """What a connection and a core on record mean.

    ``connection``, ``core`` codes of the input; a core of ``""`` is any; ``circuit`` circuit law studied; None for what
    cannot ring; ``title`` in plain words; ``reason`` why it cannot ring, ``""`` for what can; ``approximation`` what
    stands for it in the study, ``""`` where nothing is approximated.
    """

    connection: str
    core: str
    circuit: Circuit | None
    title: str
    reason: str = ""
    approximation: str = ""


FAMILY_TABLE: Final = (
    # Delta and floating wye: Hopkinson 1967 and 1968 (from memory); of the 40 and the 30 published the safer.
    Family(Circuit.DELTA, "delta", "xc_xm", 40.0),
    Family(Circuit.FLOATING_WYE, "floating wye", "xc_xm", 40.0),
    # Short, Electric Power Distribution Handbook, citing Walling et al. 1993 (from memory).
    Family(Circuit.FIVE_LEGGED, "five-legged grounded wye", "charge_loss", 1.0),
    # Derived: with one outer pole closed the two windings and the two open phases make a ladder, and its far end stands
    # at 1 / (1 - 3 x + x^2) of the supply, x = 3 / (Xc/Xm): 1.25 at 44, and 1.28 at the 40 of delta.
    Family(Circuit.OPEN_DELTA, "open delta", "xc_xm", 45.0),
)
FAMILIES: Final = tuple(family.name for family in FAMILY_TABLE)
"""Names of the families; the place of each is its :class:`Circuit`."""

CONSTRUCTIONS: Final = (
    Construction("delta", "", Circuit.DELTA, "delta"),
    Construction("floating_wye", "", Circuit.FLOATING_WYE, "floating wye"),
    Construction("open_delta", "", Circuit.OPEN_DELTA, "open delta"),
    Construction("grounded_wye", "five_legged", Circuit.FIVE_LEGGED, "five-legged grounded wye"),
    Construction(
        "grounded_wye",
        "three_legged",
        Circuit.FLOATING_WYE,
        "three-legged grounded wye",
        approximation="studied as a floating wye (the fourth path is air)",
    ),
    Construction(
        "grounded_wye",
        "separate",
        None,
        "grounded wye on separate cores",
        reason="grounded wye on separate cores: no path from phase to phase",
    ),
    Construction(
        "open_wye", "", None, "open wye", reason="open wye, windings from line to ground: no path from phase to phase"
    ),
)
CONNECTIONS: Final = tuple(sorted({row.connection for row in CONSTRUCTIONS}))
CORES: Final = tuple(sorted({row.core for row in CONSTRUCTIONS if row.core}))
"""Codes of the input, in alphabetical order."""
ASSUMED_CONNECTION: Final = "delta"
"""What a missing connection is taken for: the worst."""
ASSUMED_CORE: Final = "five_legged"
"""What the missing core of a grounded wye is taken for: the worst."""


def construction(connection: str, core: str = "") -> Construction:
    """Look up a connection and a core; what is missing is taken for the worst.

    Parameters
    ----------
    connection, core
        Codes of the input, ``""`` where not on record.

    Raises
    ------
    KeyError
        For a code that is not in the table.
    """
    winding = connection or ASSUMED_CONNECTION
    wanted = (core or ASSUMED_CORE) if winding == "grounded_wye" else ""
    for row in CONSTRUCTIONS:
        if (row.connection, row.core) == (winding, wanted):
            return row
    raise KeyError((connection, core))
