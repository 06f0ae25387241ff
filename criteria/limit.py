"""A limit as a frozen row, what a person must give for it, and the outcome of comparing a value with it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from core.quantity import Unit
from core.units import UnitSystem
from criteria.expression import Expression
from vision.section import Joint

Direction = Literal["upper", "lower", "range"]
Sides = Literal["each", "lesser", "greater"]
OwnUnit = Literal["mm", "in", "deg"]
Verified = Literal["secondary", "from memory", "given"]
Verdict = Literal["meets", "does_not_meet", "undecided", "not_assessed"]

VERIFIED: dict[str, str] = {
    "secondary": "read on a secondary source, not in the standard itself",
    "from memory": "FROM MEMORY: no source was at hand, check it in the standard",
    "given": "given by the user",
}
"""What the evidence of a row is worth."""

SELECTORS = ("category", "service", "seam")
"""Words that a person must give where a row depends on them."""


@dataclass(frozen=True, slots=True)
class Extent:
    """What a scan knows of one kind of imperfection along a seam, mm.

    Attributes
    ----------
    total_mm
        Summed length of the imperfection, as far as it is certain, in the worst stretch of the length that the rule
        names.
    weld_length_mm
        Length of the whole weld.
    at_most_mm
        What the sum would be with all that is undecided or not known; None where all is certain.
    at_most_weld_mm
        What the weld's length would be with what is not known at its ends; None where it is certain.
    """

    total_mm: float
    weld_length_mm: float
    at_most_mm: float | None = None
    at_most_weld_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Given:
    """What a section does not show and a person must say; None where nobody did.

    Attributes
    ----------
    thickness_mm, nominal_throat_mm, nominal_leg_mm, nominal_penetration_mm
        Nominal sizes, from drawing and parts list: t, a, z and s of a formula.
    category
        Category of the joint or of its stress: "A" to "D" of a vessel, "transverse" or "other" of a loaded member.
    service
        "normal", "category-d" or "severe-cyclic" of process piping.
    seam
        "plate", "longitudinal" or "circumferential".
    extents
        Quantity to its extent along the seam, from a scan.
    """

    thickness_mm: float | None = None
    nominal_throat_mm: float | None = None
    nominal_leg_mm: float | None = None
    nominal_penetration_mm: float | None = None
    category: str | None = None
    service: str | None = None
    seam: str | None = None
    extents: Mapping[str, Extent] = field(default_factory=dict)

    def filled(self, more: Mapping[str, Any]) -> Given:
        """Return this with fields that nobody gave taken from elsewhere; None there gives nothing."""
        return replace(self, **{name: value for name, value in more.items() if getattr(self, name) is None})

    def lengths_mm(self) -> dict[str, float]:
        """Return what was given, by its name in a formula."""
        named = {
            "t": self.thickness_mm,
            "a": self.nominal_throat_mm,
            "z": self.nominal_leg_mm,
            "s": self.nominal_penetration_mm,
        }
        return {name: value for name, value in named.items() if value is not None}

    def words(self) -> dict[str, str]:
        """Return the words that were given, by selector."""
        named = {"category": self.category, "service": self.service, "seam": self.seam}
        return {name: value for name, value in named.items() if value is not None}


@dataclass(frozen=True, slots=True)
class Case:
    """One line of a row: the limit that holds under some conditions.

    Attributes
    ----------
    when
        Condition on lengths, None for always.
    only
        Selector to the words under which the line holds.
    limit, low
        The limit; ``low`` is the lower one of a range.
    short
        Limit for short imperfections, where the row allows more for them.
    extent, window
        How long they may be in all, and the length of seam to which that applies (None: the whole weld).
    verified, extent_verified
        What the evidence of the limit is, and that of the lengths.
    """

    limit: Expression
    verified: Verified
    when: Expression | None = None
    only: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    low: Expression | None = None
    short: Expression | None = None
    extent: Expression | None = None
    window: float | None = None
    extent_verified: Verified | None = None


@dataclass(frozen=True, slots=True)
class Limit:
    """One row of a set at one level, in one system of units.

    Attributes
    ----------
    id, criterion, source
        Name of the row, of the set with its level, and where the row is published.
    text
        What is limited, in words.
    quantity
        Name of the value, without its side where it has two.
    sides
        Whether each side is judged, or the lesser or the greater of the two.
    joints
        Kinds of joint to which the row applies.
    direction
        What the limit is. With ``reference`` it is a deviation from that length, to that direction.
    measured
        Name in a formula to the measured value it stands for.
    own_unit, system
        Unit in which the row is written and judged, and the system of the lengths in its formulas.
    scope
        Condition outside which the whole set does not apply; not asked for.
    note
        What else the row says, in words, where it does not meet.
    condition
        What must hold of the given sizes, or of the joint, for the row to be judged like that: said whatever comes out.
    """

    id: str
    criterion: str
    source: str
    text: str
    quantity: str
    joints: tuple[Joint, ...]
    direction: Direction
    own_unit: OwnUnit
    cases: tuple[Case, ...]
    sides: Sides = "each"
    reference: str | None = None
    measured: Mapping[str, str] = field(default_factory=dict)
    scope: Expression | None = None
    note: str = ""
    condition: str = ""
    system: UnitSystem = "metric"

    def bounds(self, case: Case, values: Mapping[str, float], *, short: bool = False) -> tuple[float, float]:
        """Return the lowest and the highest allowed value in the row's own unit; infinite where there is none."""
        formula = case.short if short and case.short is not None else case.limit
        number = formula.number(values)
        if self.reference is not None:
            number = values[self.reference] + (number if self.direction == "upper" else -number)
        if self.direction == "range":
            return (-math.inf if case.low is None else case.low.number(values)), number
        return (-math.inf, number) if self.direction == "upper" else (number, math.inf)


@dataclass(frozen=True, slots=True)
class Outcome:
    """A value compared with a limit: a proposal.

    Attributes
    ----------
    criterion, source, quantity
        Set with level and row, the published place, and the name of the value.
    lower, upper
        The limits in ``unit``, None where there is none.
    limit
        The one of them that decides, in ``unit``.
    unit
        mm, deg or mm2, as in every result.
    outcome, message
        What the comparison gives, and why, in one sentence.
    rule
        Decision rule with its guard band, in words.
    probability
        That the true value conforms, None where it has no meaning.
    verified
        What the evidence of the row is.
    missing
        Names of what a person must give before the row can be judged.
    own_value, own_limit
        The value and the deciding limit in the unit of the row: ``0.07 in``, ``1/16 in``.
    own_allowed
        What is allowed, with its sign: ``≤ 1/16 in``, ``35 to 40°``, ``none``.
    """

    criterion: str
    source: str
    quantity: str
    limit: float | None
    unit: Unit
    outcome: Verdict
    message: str
    rule: str
    verified: Verified
    lower: float | None = None
    upper: float | None = None
    probability: float | None = None
    missing: tuple[str, ...] = ()
    own_value: str | None = None
    own_limit: str | None = None
    own_allowed: str | None = None
