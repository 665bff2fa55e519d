"""The README's picture: the top of a take's review, as Chromium shows it.

``python -m tests.picture [TAKE] OUT.png``, after ``tapebridge rehearse`` has made a take.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

from bridge.errors import TakeError
from bridge.review.page import write_review

CHROMIUM = Path("/usr/bin/chromium")
WIDTH = 1200
"""Width of the picture in pixels."""

MARGIN = 24
"""Room below the plots, in pixels."""


def take_picture(page_path: Path, out: Path) -> None:
    """Write a PNG of a review's head and plots, in its light colours."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": WIDTH, "height": 1400}, color_scheme="light")
        page.goto(page_path.as_uri())
        plots = page.locator("main section").first.bounding_box()
        height = plots["y"] + plots["height"] + MARGIN if plots else 1400
        page.screenshot(path=out, clip={"x": 0, "y": 0, "width": WIDTH, "height": height}, full_page=True)
        browser.close()


def main() -> int:
    """Read the arguments, write the picture, and return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m tests.picture", description=__doc__)
    parser.add_argument("take", nargs="?", type=Path, metavar="TAKE", help="folder of a take")
    parser.add_argument("out", type=Path, metavar="OUT.png", help="where the picture goes")
    arguments = parser.parse_args()
    if arguments.take is None:
        parser.error("name a take. There is none yet? Make one first: tapebridge rehearse --fast")
    if not CHROMIUM.exists():
        sys.stderr.write(f"{CHROMIUM} is absent. Install it: apt-get install chromium\n")
        return 1
    try:
        take_picture(write_review(arguments.take).resolve(), arguments.out)
    except TakeError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    sys.stdout.write(f"{arguments.out}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
