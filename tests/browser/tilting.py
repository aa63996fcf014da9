"""A tablet in a mount on a machine on a plane, worked out by rotation matrices, and fed to the browser as the
orientation it would report. Knows nothing of the page's own sums."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from playwright.sync_api import CDPSession, Page
from sheets import until

from atlas.grid import Floats

# The last orientation the page was told, so that a test can wait for it. To be evaluated once the page stands:
# Chromium does not feed what began to listen before.
LISTEN_ORIENTATION = """(() => {
  window.oriented = null;
  addEventListener("deviceorientation", e => { if (e.beta !== null) { oriented = [e.alpha, e.beta, e.gamma]; } });
})()"""


def about_x(degrees: float) -> Floats:
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return np.array([[1, 0, 0], [0, c, -s], [0, s, c]])


def about_y(degrees: float) -> Floats:
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])


def about_z(degrees: float) -> Floats:
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])


@dataclass(frozen=True)
class Mounting:
    """How a tablet sits: its axes in the machine's (right, ahead, up), and whether its screen faces the driver."""

    name: str
    to_machine: Floats
    square: bool


# Tilted back by d: lying flat is 0, upright 90, as seen by a driver who looks ahead.
MOUNTINGS = (
    Mounting("flat", about_x(0), True),
    Mounting("upright", about_x(90), True),
    Mounting("tilted back", about_x(55), True),
    Mounting("nearly flat", about_x(20), True),
    Mounting("leaning over", about_x(105), True),
    Mounting("upright, on its side", about_x(90) @ about_z(90), True),
    Mounting("tilted back, turned towards the driver", about_z(30) @ about_x(60), False),
    Mounting("on the side window", about_z(-85) @ about_x(80), False),
    Mounting("askew every way", about_z(-20) @ about_x(40) @ about_y(15) @ about_z(12), False),
    Mounting("overhead, facing down", about_z(10) @ about_x(140), False),
)


def on_plane(gradient: float, from_uphill_deg: float, uphill_deg: float = 25.0) -> Floats:
    """Machine to world (east, north, up) on a plane that rises towards `uphill_deg`, heading that far clockwise of
    straight up."""
    up = math.radians(uphill_deg)
    gx, gy = gradient * math.sin(up), gradient * math.cos(up)
    normal = np.array([-gx, -gy, 1.0]) / math.sqrt(1 + gradient**2)
    way = math.radians(uphill_deg + from_uphill_deg)
    ahead = np.array([math.sin(way), math.cos(way), gx * math.sin(way) + gy * math.cos(way)])
    ahead /= np.linalg.norm(ahead)
    return np.column_stack([np.cross(ahead, normal), ahead, normal])


def angles(r: Floats) -> tuple[float, float, float]:
    """alpha, beta, gamma of a tablet-to-world matrix: W3C Device Orientation, appendix "worked example", turned
    round; its ranges are [0, 360), [-180, 180), [-90, 90)."""
    if math.hypot(r[2, 0], r[2, 2]) < 1e-9:  # the top edge straight up: one turn stands for both
        return math.degrees(math.atan2(r[1, 0], r[0, 0])) % 360, math.copysign(90.0, r[2, 1]), 0.0
    sign = 1.0 if r[2, 2] > 1e-9 or (abs(r[2, 2]) <= 1e-9 and r[2, 0] > 0) else -1.0
    beta = math.atan2(r[2, 1], sign * math.hypot(r[2, 0], r[2, 2]))
    alpha = math.atan2(-sign * r[0, 1], sign * r[1, 1])
    gamma = math.atan2(-sign * r[2, 0], sign * r[2, 2])
    a, b, g = (math.degrees(v) for v in (alpha, beta, gamma))
    return a % 360 % 360, -180.0 if b > 180 - 1e-6 else b, -90.0 if abs(abs(g) - 90) < 1e-6 else g


def set_orientation(page: Page, cdp: CDPSession, tablet: Floats) -> None:
    """Let the browser report a tablet-to-world rotation, and wait until the page has heard it."""
    alpha, beta, gamma = angles(tablet)
    tell(page, cdp, alpha, beta, gamma)


def tell(page: Page, cdp: CDPSession, alpha: float, beta: float, gamma: float) -> None:
    """Let the browser report an orientation, and wait until the page has heard it."""
    order = {"alpha": alpha, "beta": beta, "gamma": gamma}
    cdp.send("DeviceOrientation.setDeviceOrientationOverride", order)
    near = f"Math.hypot(oriented[1] - {beta!r}, oriented[2] - {gamma!r}) < 0.15"  # it reports no smaller change
    until(page, f"oriented !== null && {near}", patience=80)


def settle(page: Page, milliseconds: int = 5000) -> None:
    """Long enough for a moved tablet to count as still again and for the smoothing to arrive."""
    page.clock.run_for(milliseconds)


@dataclass
class Cab:
    """A machine with a tablet in it, in front of the page."""

    page: Page
    cdp: CDPSession
    mounting: Mounting

    def stand(self, gradient: float, from_uphill_deg: float, uphill_deg: float = 25.0) -> None:
        set_orientation(
            self.page, self.cdp, on_plane(gradient, from_uphill_deg, uphill_deg) @ self.mounting.to_machine
        )
        settle(self.page)

    def press(self, what: str) -> None:
        self.page.locator(f"[data-do={what}]").click()

    def read(self, what: str = "level-read") -> None:
        self.press(what)
        settle(self.page, 2500)

    def level(self, uphill: bool, yard: float = 0.04, turn: float = 180.0) -> None:
        """Both readings on a yard that slopes, then ahead."""
        self.press("level-begin")
        self.stand(yard, 70.0)
        self.read()
        self.stand(yard, 70.0 + turn)
        self.read()
        if uphill:
            self.stand(0.2, 0.0)
            self.read("level-uphill")
        else:
            self.press("level-square")

    def now(self) -> dict[str, float]:
        found: dict[str, float] = self.page.evaluate("fieldAtlas.tiltNow()")
        return found

    def state(self) -> str:
        return str(self.page.locator("html").get_attribute("data-tilt"))

    def bar(self) -> str:
        return self.page.locator("#tilt-bar").inner_text()

    def says(self) -> str:
        return self.page.locator("[data-level-says]").inner_text()
