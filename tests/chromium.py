"""Pages printed by a real browser: Chromium's own printing, without a window or a network."""

import subprocess
import tempfile
from pathlib import Path

from tests.needed import installed

_FLAGS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
    *("--disable-dev-shm-usage", "--no-pdf-header-footer", "--disable-pdf-tagging"),
)
SHEETS = {"A4": (595.3, 841.9), "Letter": (612.0, 792.0)}
"""The width and height of a sheet in points, 72 to the inch."""


def print_pdf(page: Path, size: str) -> bytes:
    """An HTML file as PDF, on sheets of a size: A4 or Letter.

    The page must not ask for a size itself: here, as in a browser's dialogue, the person who
    prints it does. Skips the test where there is no Chromium.
    """
    chromium = installed("chromium")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as scratch:
        folder = Path(scratch)
        sized = folder / "page.html"
        text = page.read_text(encoding="utf-8")
        chosen = f"<style>@page {{ size: {size}; }}</style></head>"
        sized.write_text(text.replace("</head>", chosen, 1), encoding="utf-8")
        printed = folder / "page.pdf"
        subprocess.run(
            [
                *(chromium, *_FLAGS, f"--user-data-dir={folder / 'profile'}"),
                *(f"--print-to-pdf={printed}", sized.as_uri()),
            ],
            check=True,
            capture_output=True,
            timeout=60,
        )
        return printed.read_bytes()
