"""Published and drawing limits as data, formulas and decision rules: from values to outcomes."""

from __future__ import annotations

from criteria.assess import assess
from criteria.limit import VERIFIED, Case, Extent, Given, Limit, Outcome
from criteria.requirement import nominal_sizes, parse_requirement
from criteria.rules import KINDS, Rule, conformity, decide, guard_factor, parse_rule
from criteria.sets import LimitSet, built_in, chosen_limits, evidence, find, read_set

__all__ = [
    "KINDS",
    "VERIFIED",
    "Case",
    "Extent",
    "Given",
    "Limit",
    "LimitSet",
    "Outcome",
    "Rule",
    "assess",
    "built_in",
    "chosen_limits",
    "conformity",
    "decide",
    "evidence",
    "find",
    "guard_factor",
    "nominal_sizes",
    "parse_requirement",
    "parse_rule",
    "read_set",
]
