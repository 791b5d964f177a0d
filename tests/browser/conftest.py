"""A browser, where one is found.

Without one these tests are not collected, unless QUIETCUFF_DEMAND_BROWSER=1: then they fail.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome")
FOUND = next(filter(None, map(shutil.which, NAMES)), None)
QUIET = ("--headless", "--disable-gpu", "--hide-scrollbars", "--no-first-run", "--disable-background-networking")

collect_ignore_glob = [] if FOUND or os.environ.get("QUIETCUFF_DEMAND_BROWSER") == "1" else ["test_*.py"]


class Browser:
    """Runs the browser once on a page, with a profile of its own."""

    def __init__(self, program: str, folder: Path) -> None:
        # Its sandbox does not start for root, which is who runs in containers.
        sandbox = ["--no-sandbox"] if os.geteuid() == 0 else []
        self._command = [program, *QUIET, *sandbox, f"--user-data-dir={folder / 'profile'}"]
        self._folder = folder

    def run(self, page: str, *options: str) -> str:
        """What the browser writes of the page."""
        place = self._folder / "page.html"
        place.write_text(page, encoding="utf-8")
        done = subprocess.run([*self._command, *options, place.as_uri()], capture_output=True, timeout=120, check=True)
        return done.stdout.decode()

    def print(self, page: str) -> bytes:
        """The page as a PDF."""
        target = self._folder / "page.pdf"
        self.run(page, "--no-pdf-header-footer", f"--print-to-pdf={target}")
        return target.read_bytes()


@pytest.fixture
def browser(tmp_path: Path) -> Browser:
    assert FOUND is not None, f"QUIETCUFF_DEMAND_BROWSER is 1, and none of {', '.join(NAMES)} is on the PATH."
    return Browser(FOUND, tmp_path)
