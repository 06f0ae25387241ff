"""What a person decided, checked at the door."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, Self

from core.errors import UsageError

KINDS = {"confirm": "confirmed", "reject": "rejected"}
LONGEST_NAME = 200
LONGEST_TEXT = 2000


@dataclass(frozen=True, slots=True)
class Decision:
    """A decision with the points it is about; ``why`` and ``note`` are None when nothing was written."""

    kind: Literal["confirmed", "rejected"]
    who: str
    why: str | None
    note: str | None
    moves: Any

    @classmethod
    def parse(cls, value: Any) -> Self:
        """Return the decision of a document already read.

        Raises
        ------
        UsageError
            With one sentence: what is missing or wrong.
        """
        kind = KINDS.get(value.get("decision")) if isinstance(value.get("decision"), str) else None
        if kind is None:
            raise UsageError("a decision is to confirm or to reject.", code="bad_decision")
        who = _text(value, "who", LONGEST_NAME, lines=False)
        if who is None:
            raise UsageError("write your name: a decision belongs to a person.", code="who_missing")
        why = _text(value, "why", LONGEST_TEXT)
        if kind == "rejected" and why is None:
            raise UsageError("say why it is rejected.", code="why_missing")
        return cls(kind, who, why, _text(value, "note", LONGEST_TEXT), value.get("moves", {}))  # type: ignore[arg-type]


def _text(value: dict[str, Any], name: str, longest: int, *, lines: bool = True) -> str | None:
    text = value.get(name)
    if text is None:
        return None
    if not isinstance(text, str) or len(text) > longest:
        raise UsageError(f"{name} must be text of at most {longest} characters.", code="bad_text")
    allowed = "\n\t" if lines else ""
    if any((ord(sign) < 32 and sign not in allowed) or 0xD800 <= ord(sign) <= 0xDFFF for sign in text):
        raise UsageError(f"{name} must not hold control characters.", code="bad_text")
    return text.strip() or None
