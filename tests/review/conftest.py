"""A browser for the tests of pages."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

CHROMIUM = Path("/usr/bin/chromium")


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, without a screen; skips where it is absent."""
    if not CHROMIUM.exists():
        pytest.skip("Chromium is absent (Debian: apt-get install chromium)")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
        )
        yield chromium
        chromium.close()
