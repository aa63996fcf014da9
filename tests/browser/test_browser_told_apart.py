"""What must be told apart and read: zones in grey and by eyes that miss a colour, warnings by their contrast.

Colour vision: Machado, Oliveira and Fernandes 2009, a physiologically-based model for simulation of colour vision
deficiency, at full severity, as the library colorspacious has it. Contrast: WCAG 2.2, 1.4.6 (7 to 1).
"""

from __future__ import annotations

import io
import itertools
import re
from pathlib import Path

import numpy as np
import pytest
from browsing import DEMO_NOW, visiting
from colorspacious import cspace_convert
from PIL import Image
from playwright.sync_api import Browser, Page

FIELD = "grubaruen.html"
EYES = ("grey", "protanomaly", "deuteranomaly", "tritanomaly")
WATCH = ("following", "near", "inside", "across", "outside", "weak", "none")
TILT = ("following", "near", "limit", "moved", "none", "unset")


def seen(image: np.ndarray, eyes: str) -> np.ndarray:
    """Luminance 0 to 1 of sRGB 0 to 255 as these eyes have it."""
    if eyes != "grey":
        space = {"name": "sRGB1+CVD", "cvd_type": eyes, "severity": 100}
        image = np.clip(cspace_convert(image / 255.0, space, "sRGB1"), 0, 1) * 255
    linear = np.where(image <= 10.31475, image / 3294.6, ((image / 255 + 0.055) / 1.055) ** 2.4)
    luminance: np.ndarray = linear @ np.array([0.2126, 0.7152, 0.0722])
    return luminance


def look(luminance: np.ndarray) -> np.ndarray:
    """How dark it is, and how often light and dark change going right and going down."""
    dark = luminance < 0.35
    across = (dark[:, 1:] != dark[:, :-1]).mean()
    down = (dark[1:] != dark[:-1]).mean()
    return np.array([luminance.mean(), dark.mean(), 2 * across, 2 * down])


def samples(page: Page) -> dict[str, np.ndarray]:
    """The legend's samples of zones, without the edge round them, by label."""
    found = {}
    for row in page.locator(".legend li").all()[:7]:
        cut = np.asarray(Image.open(io.BytesIO(row.locator("svg").screenshot())).convert("RGB")).astype(float)
        found[row.inner_text().split("\n")[0].strip()] = cut[5:-5, 5:-5]
    return found


def test_zones_are_told_apart_by_any_eyes(demo_atlas: Path, browser: Browser) -> None:
    with visiting(browser, device_scale_factor=2) as visit:
        page = visit.open(demo_atlas / "fields" / FIELD)
        signs = samples(page)
    assert [label.split(" (")[0] for label in signs][:5] == [
        "drive in any direction", "straight up or down, never across", "hand work, no driving", "keep out",
        "not measured: keep out",
    ]  # fmt: skip
    close = []
    for eyes in EYES:
        looks = {label: look(seen(cut, eyes)) for label, cut in signs.items()}
        for one, other in itertools.combinations(looks, 2):
            if np.abs(looks[one] - looks[other]).max() < 0.05:
                close.append(f"{eyes}: {one}, {other}")
    assert close == []


def test_a_map_in_traffic_light_colours_would_fail() -> None:
    """So that the measure above can tell: plain green and plain red of one lightness are one to such eyes."""
    green, red = (np.full((20, 20, 3), c, dtype=float) for c in ((105, 140, 60), (160, 110, 70)))
    assert np.abs(look(seen(green, "deuteranomaly")) - look(seen(red, "deuteranomaly"))).max() < 0.05


def contrast(page: Page, selector: str) -> float:
    """Of an element's text on the nearest background behind it, by WCAG's formula."""
    colours = page.eval_on_selector(
        selector,
        """e => {
            let behind = e;
            while (behind && /^rgba\\(.*, 0\\)$/.test(getComputedStyle(behind).backgroundColor)) {
                behind = behind.parentElement;
            }
            const ground = behind ? getComputedStyle(behind).backgroundColor : 'rgb(255, 255, 255)';
            return [getComputedStyle(e).color, ground];
        }""",
    )
    light = [
        float(seen(np.array([int(v) for v in re.findall(r"\d+", c)[:3]], dtype=float), "grey")) for c in colours
    ]
    return (max(light) + 0.05) / (min(light) + 0.05)


@pytest.mark.parametrize(
    ("selector", "attribute", "states"),
    [
        (".watch-bar", "watch", WATCH),
        (".watch-head", "watch", WATCH),
        (".tilt-head", "tilt", TILT),
        (".tilt-note", "tilt", TILT),
        (".release p", "", ("",)),
        (".where-not p", "", ("",)),
        (".flag", "", ("",)),
        ("[data-watch-lacks]", "", ("",)),
    ],
)
def test_warnings_have_seven_to_one(
    demo_atlas: Path, browser: Browser, selector: str, attribute: str, states: tuple[str, ...]
) -> None:
    with visiting(browser) as visit:
        visit.page.clock.set_fixed_time(DEMO_NOW)
        page = visit.open(demo_atlas / "fields" / FIELD)
        for state in states:
            if attribute:
                page.evaluate("([name, s]) => { document.documentElement.dataset[name] = s; }", [attribute, state])
            assert contrast(page, selector) >= 7.0, state
