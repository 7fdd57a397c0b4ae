"""What tests need of the computer beyond Python: programs and files of Debian's packages."""

import os
import shutil
from pathlib import Path
from typing import NoReturn

import pytest

NEEDS_ALL = "STOPWRIGHT_NEEDS_ALL"
"""Set where nothing may be skipped, as it is in CI."""
SOUNDFONT = Path("/usr/share/sounds/sf2/TimGM6mb.sf2")


def installed(program: str, *needs: Path) -> str:
    """Where a program is; without it, or a file it needs, `lacking`."""
    found = shutil.which(program)
    if found is None or not all(file.exists() for file in needs):
        names = " or ".join((program, *(file.name for file in needs)))
        lacking(f"{names} is not installed (.ci/run does it)")
    return found


def lacking(why: str) -> NoReturn:
    """Skip the test, or fail it where nothing may be skipped."""
    if os.environ.get(NEEDS_ALL):
        pytest.fail(why)
    pytest.skip(why)
