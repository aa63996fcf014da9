"""Machine cards on paper: one page each."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

from browsing import visiting
from playwright.sync_api import Browser

from atlas.driving.machines import rig
from atlas.settings import Settings


def test_each_card_is_whole_on_one_page(demo_atlas: Path, browser: Browser, tmp_path: Path) -> None:
    pdf = tmp_path / "machines.pdf"
    with visiting(browser) as visit:
        visit.open(demo_atlas / "machines.html").pdf(path=pdf, prefer_css_page_size=True)
        visit.check_quiet()
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], check=True, capture_output=True, text=True).stdout
    pages = [re.sub(r"\s+", " ", page) for page in text.split("\f")]
    for machine in rig(Settings()).machines.values():
        [page] = [p for p in pages if machine.name in p and "Limits for a new driver" in p]
        for words in ("Limits for a practised driver", "Weight on the downhill wheels", "Reckoned with: track"):
            assert page.count(words) == 1
    assert "Once the machine slides" in " ".join(pages)
