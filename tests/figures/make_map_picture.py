"""The README's picture: the sample's map with its first-ranked site chosen; run it as a script."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pandas as pd

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from browser import chromium  # noqa: E402

SIZE = (1440, 900)


def main() -> None:
    """Open reports/map.html, choose the site, save reports/map.png."""
    with chromium() as browser:
        browser.set_window_size(*SIZE)
        first = pd.read_csv(ROOT / "reports/sites.csv").site_id[0]
        browser.get(f"{(ROOT / 'reports/map.html').as_uri()}#site={first}")
        time.sleep(2)
        browser.save_screenshot(str(ROOT / "reports/map.png"))


if __name__ == "__main__":
    main()
