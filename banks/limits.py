"""How large a bank may grow on disk, and what may stand in a text of it.

The numbers are this project's own choice, well beyond any console built; `FORMAT.md` states
them for other readers. Nothing here knows the layout of a file or what an edit does.
"""

import re

from combination import model

BYTES_IN_FILE = 64 * 1024 * 1024
CONTROLS = model.MOST_CONTROLS
PISTONS = model.MOST_PISTONS
LEVELS = 10_000
"""The highest level number, and so the most levels."""
STAGES = 1_000
SEQUENCES = 1_000
STEPS = 10_000
"""The most steps in one sequence."""
COMBINATIONS = 1_000_000
"""The most combinations in a file, all levels together: every piston at 1,000 levels."""
BANKS = 1_000
"""The most banks in a file of all banks of a store."""
VERIFIER = 256
"""The most bytes that a passphrase is checked against."""
ENTRIES = 1_000_000
"""The most entries of lists and pairs of maps in a file, all together: bounds a reader's memory."""
CHARACTERS = model.LONGEST_TEXT
"""The longest id, name, line of a label, or note: as in a console file."""
LINES = model.MOST_LINES
"""The most lines in a label: as in a console file."""

_NO_TEXT = re.compile(
    r"[\x00-\x1f\x7f-\x9f"  # control characters: an escape must never reach a terminal
    r"\u2028\u2029"  # line and paragraph separators
    r"\u202a-\u202e\u2066-\u2069"  # what turns the direction of a line: it can hide text
    r"\ud800-\udfff]"  # halves of characters, which have no UTF-8
)


def flaw(text: str) -> str | None:
    """What keeps a text out of a bank, as the end of a sentence about it; None: nothing."""
    if len(text) > CHARACTERS:
        return f"is longer than {CHARACTERS} characters"
    found = _NO_TEXT.search(text)
    if found:
        return f"has a character in it that cannot be printed (U+{ord(found[0]):04X})"
    return None
