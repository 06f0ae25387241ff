"""Numbers in the names of a seam's files: one that is left out may be a section that was lost."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise

FEWEST = 5
REGULAR = 0.8
"""Names whose numbers go on by one step in so many of them count the sections; times of day do not."""

LAST_NUMBER = re.compile(r"(.*?)(\d+)(\D*)")


def told_of_numbers(names: Sequence[str]) -> tuple[str, ...]:
    """Return what the numbers in the names of files, in order, say of sections that are missing or there twice."""
    stems = [LAST_NUMBER.fullmatch(name.rpartition(".")[0].lower()) for name in names]
    found = [match for match in stems if match is not None]
    if len(names) < FEWEST or len(found) < len(names) or len({match[1] for match in found}) > 1:
        return ()
    steps = [int(after[2]) - int(before[2]) for before, after in pairwise(found)]
    usual = max(set(steps), key=steps.count)
    whole = all(step % usual == 0 and step >= 0 for step in steps) if usual > 0 else False
    if not whole or steps.count(usual) < REGULAR * len(steps):
        return ()
    notes = []
    left_out = [at for at, step in enumerate(steps) if step > usual]
    if left_out:
        missing = sum(steps[at] // usual - 1 for at in left_out)
        first = f"{names[left_out[0]]} is followed by {names[left_out[0] + 1]}"
        notes.append(f"{missing} of the numbers in the names left out ({first}): if sections were lost there, all "
                     "that follow lie farther along the seam than told")  # fmt: skip
    if twice := [at for at, step in enumerate(steps) if step == 0]:
        notes.append(f"{len(twice)} of the numbers in the names there twice ({names[twice[0]]} and "
                     f"{names[twice[0] + 1]}): if they are of one place, all that follow lie less far")  # fmt: skip
    return tuple(notes)
