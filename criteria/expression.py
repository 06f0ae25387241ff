"""Formulas of limits: a small language of numbers, names, ``+ - * /``, ``min``, ``max`` and comparisons.

Text is parsed to a syntax tree, every node of which must be on a list; the tree is then walked. Nothing is ever
executed, so a limits file from anywhere can be read.
"""

from __future__ import annotations

import ast
import math
import re
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from core.errors import UsageError

NAMES: dict[str, str] = {
    "t": "thickness",
    "a": "nominal_throat",
    "z": "nominal_leg",
    "s": "nominal_penetration",
    "b": "width of the bead",
    "l": "length of the weld",
}
"""What the names in a formula stand for. ``inf`` is no limit at all."""

LONGEST = 200
"""Characters; the longest published formula has 30."""

_UNDERSTOOD = "numbers, t, a, z, s, b, l, inf, + - * /, min(...), max(...) and comparisons"
_WITH_UNIT = re.compile(r"[\d.]+\s*(?:mm|in|deg|°|\")")
_ARITHMETIC = (ast.Add, ast.Sub, ast.Mult, ast.Div)
_COMPARISONS = (ast.Lt, ast.LtE, ast.Gt, ast.GtE)


@dataclass(frozen=True, slots=True)
class Expression:
    """A formula that was read and found to hold nothing but what the language has.

    Attributes
    ----------
    text
        As written in the file.
    tree
        Its checked syntax tree.
    names
        The variables it needs.
    """

    text: str
    tree: ast.expr
    names: frozenset[str]

    def number(self, values: Mapping[str, float]) -> float:
        """Return the value of a formula.

        Raises
        ------
        UsageError
            When it divides by zero or gives no number.
        """
        try:
            result = _value(self.tree, values)
        except (ZeroDivisionError, OverflowError):
            raise UsageError(f"the formula {self.text!r} cannot be computed for {_told(values)}.") from None
        if math.isnan(result):
            raise UsageError(f"the formula {self.text!r} gives no number for {_told(values)}.")
        return result

    def holds(self, values: Mapping[str, float]) -> bool:
        """Return whether a condition such as ``0.5 <= t <= 3`` is met."""
        return bool(self.number(values))


def parse(text: str, *, where: str, condition: bool = False) -> Expression:
    """Read a formula, or a condition.

    Parameters
    ----------
    where
        Place named in an error: file and row.
    condition
        Expect a comparison, which a formula must not be.

    Raises
    ------
    UsageError
        With what is not understood, and what is.
    """
    if len(text) > LONGEST:
        raise UsageError(f"{where}: a formula of {len(text)} characters is too long: keep it below {LONGEST}.")
    try:
        with warnings.catch_warnings():  # the reader of Python itself remarks on texts like "1or 2"
            warnings.simplefilter("ignore")
            tree = ast.parse(text.strip(), mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        raise _not_understood(where, text) from None
    names: set[str] = set()
    if isinstance(tree, ast.Compare) != condition:
        kind = "a comparison like t <= 3" if condition else "a number or a formula, no comparison"
        raise UsageError(f"{where}: {_short(text)} must be {kind}.")
    _check(tree, names, lambda: _not_understood(where, text), top=True)
    return Expression(text.strip(), tree, frozenset(names))


def _check(node: ast.AST, names: set[str], refused: Callable[[], UsageError], *, top: bool = False) -> None:
    """Refuse every node that is not on the list, and collect the variables."""
    parts: list[ast.expr]
    if isinstance(node, ast.Compare) and top and all(isinstance(sign, _COMPARISONS) for sign in node.ops):
        parts = [node.left, *node.comparators]
    elif isinstance(node, ast.Constant) and _is_finite(node.value):
        parts = []
    elif isinstance(node, ast.Name) and (node.id in NAMES or node.id == "inf"):
        names |= {node.id} - {"inf"}
        parts = []
    elif isinstance(node, ast.BinOp) and isinstance(node.op, _ARITHMETIC):
        parts = [node.left, node.right]
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.UAdd):
        parts = [node.operand]
    elif (
        isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in ("min", "max")
        and node.args
        and not node.keywords
    ):
        parts = node.args
    else:
        raise refused()
    for part in parts:
        _check(part, names, refused)


def _value(node: ast.expr, values: Mapping[str, float]) -> float:
    if isinstance(node, ast.Constant):
        return float(node.value)  # type: ignore[arg-type]
    if isinstance(node, ast.Name):
        return math.inf if node.id == "inf" else float(values[node.id])
    if isinstance(node, ast.UnaryOp):
        operand = _value(node.operand, values)
        return -operand if isinstance(node.op, ast.USub) else operand
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
        numbers = [_value(part, values) for part in node.args]
        return min(numbers) if node.func.id == "min" else max(numbers)
    if isinstance(node, ast.Compare):
        numbers = [_value(part, values) for part in (node.left, *node.comparators)]
        pairs = zip(numbers, node.ops, numbers[1:], strict=False)
        return float(all(_compared(left, sign, right) for left, sign, right in pairs))
    if not isinstance(node, ast.BinOp):  # _check let nothing else through
        raise AssertionError(ast.dump(node))
    left, right = _value(node.left, values), _value(node.right, values)
    if isinstance(node.op, ast.Add):
        return left + right
    if isinstance(node.op, ast.Sub):
        return left - right
    return left * right if isinstance(node.op, ast.Mult) else left / right


def _compared(left: float, sign: ast.cmpop, right: float) -> bool:
    if isinstance(sign, ast.Lt):
        return left < right
    if isinstance(sign, ast.LtE):
        return left <= right
    return left > right if isinstance(sign, ast.Gt) else left >= right


def _is_finite(value: object) -> bool:
    try:
        return type(value) in (int, float) and math.isfinite(value)  # type: ignore[arg-type]
    except OverflowError:  # a whole number beyond every float
        return False


def _not_understood(where: str, text: str) -> UsageError:
    way = "leave its unit out" if _WITH_UNIT.fullmatch(text.strip()) else f"use {_UNDERSTOOD}"
    return UsageError(f"{where}: the formula {_short(text)} is not understood: {way}.")


def _short(text: str) -> str:
    return repr(text if len(text) <= 40 else f"{text[:37]}...")


def _told(values: Mapping[str, float]) -> str:
    return ", ".join(f"{name} = {value:g}" for name, value in values.items()) or "no values"
