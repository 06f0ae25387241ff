"""Values as words in the legend of a drawing."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

LEFT, RIGHT = " L", " R"


def shortened(stated: Iterable[tuple[str, str]]) -> list[str]:
    """Return "label value" in order; a right value that follows its left one is labelled by its side alone."""
    words, before = [], ""
    for label, value in stated:
        follows = label.endswith(RIGHT) and before == label.removesuffix(RIGHT) + LEFT
        words.append(f"{RIGHT.strip() if follows else label} {value}")
        before = label
    return words


def wrapped(head: str, words: Iterable[str], characters: int) -> list[str]:
    """Return lines of limited length that begin with ``head``; a label and its value stay on one line."""
    content = ", ".join(word.replace(" ", "~") for word in words)
    lines = textwrap.wrap(f"{head}: {content}", max(20, characters), subsequent_indent="    ", break_on_hyphens=False)
    return [line.replace("~", " ") for line in lines]
