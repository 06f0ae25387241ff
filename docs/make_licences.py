"""List the licences of everything the program needs: ``python docs/make_licences.py`` writes docs/licences.md.

What is needed is what requirements.lock names; the licence is what each installed package says of itself.
"""

from __future__ import annotations

import re
from importlib.metadata import PackageNotFoundError, metadata
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
OPEN = {
    "0BSD",
    "Apache-2.0",
    "BSD",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "CC0-1.0",
    "HPND",
    "ISC",
    "LGPL-3.0-only",
    "MIT",
    "MIT-CMU",
    "MPL-2.0",
    "PSF-2.0",
    "Python-2.0",
    "Zlib",
}
"""Licences by SPDX name, all approved by the Open Source Initiative, or a waiver (CC0-1.0); "BSD" is either."""

CLASSIFIERS = {
    "Apache Software License": "Apache-2.0",
    "BSD License": "BSD",
    "GNU Lesser General Public License v3 (LGPLv3)": "LGPL-3.0-only",
    "MIT License": "MIT",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "Python Software Foundation License": "PSF-2.0",
    "Historical Permission Notice and Disclaimer (HPND)": "HPND",
    "ISC License (ISCL)": "ISC",
}
WORDS = {"MIT": "MIT", "MIT License": "MIT", "Apache 2.0": "Apache-2.0", "BSD": "BSD", "LGPL-3.0": "LGPL-3.0-only"}


def locked(lock: Path) -> dict[str, str]:
    """Return the packages of a lock and their versions."""
    text = lock.read_text(encoding="utf-8")
    return dict(re.findall(r"^([A-Za-z0-9][A-Za-z0-9._-]*)==([^ \\\n;]+)", text, re.MULTILINE))


def licence(name: str) -> str:
    """Return the licence of an installed package as an SPDX expression, empty where it names none.

    Raises
    ------
    PackageNotFoundError
        When it is not installed.
    """
    told = metadata(name)
    expression = told.get("License-Expression")
    if expression:
        return str(expression)
    named = [c.rsplit(" :: ", 1)[1] for c in told.get_all("Classifier") or [] if c.startswith("License :: ")]
    found = sorted({CLASSIFIERS.get(word, word) for word in named if word != "OSI Approved"})
    words = (told.get("License") or "").strip()
    # "BSD License" of a classifier does not say which; the field often does.
    if words in OPEN and words != "BSD" and found in ([], ["BSD"]):
        return words
    return " AND ".join(found) or WORDS.get(words, words.splitlines()[0] if words else "")


def is_open(expression: str) -> bool:
    """Tell whether a licence expression can be met with open licences alone."""
    expression = re.sub(r" WITH [A-Za-z0-9.-]+", "", expression).replace("(", " ").replace(")", " ")
    parts = [part.strip() for part in re.split(r"\bAND\b", expression)]
    return all(any(choice.strip() in OPEN for choice in re.split(r"\bOR\b", part)) for part in parts)


def page(packages: dict[str, str]) -> str:
    """Return docs/licences.md."""
    lines = [
        "# Licences of what the program needs",
        "",
        "Toeline itself is under Apache-2.0. It stands on these packages, none of which is shipped with it; versions",
        "are those of `requirements.lock`, licences what each package says of itself. `docs/make_licences.py` does it.",
        "",
        "| package | version | licence |",
        "| --- | --- | --- |",
        *(f"| {name} | {version} | {licence(name)} |" for name, version in sorted(packages.items())),
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    try:
        (ROOT / "docs" / "licences.md").write_text(page(locked(ROOT / "requirements.lock")), encoding="utf-8")
    except PackageNotFoundError as error:
        raise SystemExit(f"{error.name} is not installed: install requirements.lock first") from None
