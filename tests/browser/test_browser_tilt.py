"""The tilt rules, fed by the browser's own overrides for its sensors, on a sheet alone in an empty folder."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator

import numpy as np
import pytest
from browsing import Visit, too_wide, violations, visiting
from playwright.sync_api import Browser, Page
from sheets import choose, open_sheet, until
from tilting import LISTEN_ORIENTATION, MOUNTINGS, Cab, Mounting, about_x, angles, on_plane, tell
from walking import LISTEN, Walked, heard

PLAIN = MOUNTINGS[2]
SENSORS = ["accelerometer", "gyroscope"]  # Chromium's names for what it may give a page
STANDS = ((0.0, 0.0), (0.18, 90.0), (0.22, -90.0), (0.30, 0.0), (0.25, 180.0), (0.28, 40.0), (0.35, -130.0))


@pytest.fixture
def tilt_visit(browser: Browser) -> Iterator[Visit]:
    with visiting(browser, 820, 1180, permissions=SENSORS) as opened:
        opened.page.add_init_script(LISTEN)
        yield opened
        opened.check_quiet()


def cab(visit: Visit, walked: Walked, mounting: Mounting = PLAIN) -> Cab:
    page = open_sheet(visit, walked.sheet)
    page.evaluate(LISTEN_ORIENTATION)
    page.locator("button[data-do=tilt]").click()
    return Cab(page, page.context.new_cdp_session(page), mounting)


def degrees(gradient: float) -> float:
    return math.degrees(math.atan(gradient))


def test_the_reference_turns_angles_back_into_the_same_rotation() -> None:
    """What the tests below are fed is right by the standard's own matrix."""
    rng = np.random.default_rng(4)
    for mounting in MOUNTINGS:
        for _ in range(5):
            r = on_plane(rng.uniform(0, 0.5), rng.uniform(0, 360)) @ mounting.to_machine
            a, b, g = (math.radians(v) for v in angles(r))
            ca, sa, cb, sb, cg, sg = (f(v) for v in (a, b, g) for f in (math.cos, math.sin))
            back = np.array([
                [ca * cg - sa * sb * sg, -cb * sa, cg * sa * sb + ca * sg],
                [cg * sa + ca * sb * sg, ca * cb, sa * sg - ca * cg * sb],
                [-cb * sg, sb, cb * cg],
            ])  # fmt: skip
            assert np.allclose(back, r, atol=1e-9)


@pytest.mark.parametrize("mounting", MOUNTINGS, ids=[m.name for m in MOUNTINGS])
def test_the_rules_read_the_attitude_within_half_a_degree(
    tilt_visit: Visit, walked: Walked, mounting: Mounting
) -> None:
    """Ten mountings, set to level on a yard of 4 %; then planes of several gradients and headings, against g·sin a
    and g·cos a. The wide machine's limits leave room for all of them."""
    c = cab(tilt_visit, walked, mounting)
    choose(c.page, "wide", "firm", "practised")
    c.stand(0.04, 70.0)
    assert c.state() == "unset"
    ways = [True, False] if mounting.square else [True]
    for uphill in ways:
        c.level(uphill)
        for gradient, heading in STANDS:
            c.stand(gradient, heading)
            turn = math.radians(heading)
            wanted = (gradient * math.sin(turn), gradient * math.cos(turn))
            found = c.now()
            # Heading clockwise of straight up has the slope falling to the right.
            assert degrees(found["side"]) == pytest.approx(degrees(wanted[0]), abs=0.5), (
                uphill,
                gradient,
                heading,
            )
            assert degrees(found["nose"]) == pytest.approx(degrees(wanted[1]), abs=0.5), (
                uphill,
                gradient,
                heading,
            )
            if abs(wanted[0]) > 0.02:
                low = "right" if wanted[0] > 0 else "left"
                said = round(100 * abs(found["side"]))
                assert f"Sideways {said} of 48 %, {low} low" in c.bar()
                assert abs(degrees(said / 100) - degrees(abs(wanted[0]))) <= 0.5


def test_it_warns_at_four_fifths_and_at_the_limit(tilt_visit: Visit, walked: Walked) -> None:
    """The mower's 24 % sideways for the practised driver; 60 % of that for the new one; once each time."""
    c = cab(tilt_visit, walked)
    c.stand(0.0, 0.0)
    c.level(uphill=False)
    told = []
    for share in (0.78, 0.82, 0.84, 0.98, 1.01, 1.2, 0.5):
        c.stand(0.24 * share, 90.0)
        told.append((c.state(), heard(c.page)[1]))
    first = told[0][1]
    assert told == [
        ("within", first), ("near", first + 1), ("near", first + 1), ("near", first + 1), ("limit", first + 2),
        ("limit", first + 2), ("within", first + 2),
    ]  # fmt: skip
    c.stand(0.24 * 0.84, -90.0)
    assert "Near the limit: Sideways 20 of 24 %, left low" in c.bar()
    choose(c.page, "mower", "firm", "new")
    c.page.clock.run_for(500)
    assert c.state() == "limit"
    assert "of 14 %" in c.bar()


def test_nose_and_grip_have_stops_too(tilt_visit: Visit, walked: Walked) -> None:
    """Nose up 40 % from the handbook; both tilts together are held to what the grip allows (0.6 · 0.8 = 48 %)."""
    c = cab(tilt_visit, walked)
    c.stand(0.0, 0.0)
    c.level(uphill=False)
    c.stand(0.34, 0.0)
    assert c.state() == "near"
    assert "Near the limit: Nose up 34 of 40 %" in c.bar()
    c.stand(0.41, 180.0)
    assert "At the limit: Nose down 41 of 40 %" in c.bar()
    choose(c.page, "wide", "firm", "practised")
    c.press("level-use")
    c.stand(0.49, 45.0)
    assert "At the limit: Steepness 49 of 48 % for grip" in c.bar()


def test_it_refuses_while_a_hand_moves_the_tablet(tilt_visit: Visit, walked: Walked) -> None:
    c = cab(tilt_visit, walked)
    c.stand(0.0, 0.0)
    c.level(uphill=False)
    c.stand(0.1, 90.0)
    assert c.state() == "within"
    c.mounting = Mounting("in the hand", about_x(5), True)
    tell(c.page, c.cdp, 10, 30, 20)
    c.page.clock.run_for(300)
    assert c.state() == "moved"
    assert c.page.evaluate("fieldAtlas.tiltNow()") is None
    assert "being moved" in c.bar()
    assert not c.page.locator("#tilt-bar .rules").is_visible()
    c.mounting = PLAIN
    c.stand(0.1, 90.0)
    assert c.state() == "within"
    assert "was moved since it was set" in c.bar()
    c.mounting = Mounting("lying on the seat", about_x(-10), True)
    c.stand(0.0, 0.0)
    assert c.state() == "moved"
    assert "not as it was set to level" in c.bar()


MOTION = {"accelerometer": (0.0, 0.0, 9.81), "gyroscope": (0.0, 0.0, 0.0), "linear-acceleration": (0.0, 0.0, 0.0)}


def feel(c: Cab, kind: str, x: float, y: float, z: float) -> None:
    c.cdp.send("Emulation.setSensorOverrideReadings", {"type": kind, "reading": {"xyz": {"x": x, "y": y, "z": z}}})


@pytest.mark.parametrize(("kind", "shaken"), [("accelerometer", (1.0, 6.0, 9.81)), ("gyroscope", (0.0, 2.5, 0.0))])
def test_pull_and_turning_tell_a_hand_and_stand_in_for_the_orientation(
    tilt_visit: Visit, walked: Walked, kind: str, shaken: tuple[float, float, float]
) -> None:
    """Real devicemotion events, no orientation: tilt comes from the pull, and stops while that is not gravity's
    alone or the tablet turns quickly."""
    page = open_sheet(tilt_visit, walked.sheet)
    c = Cab(page, page.context.new_cdp_session(page), MOUNTINGS[0])
    for name, value in MOTION.items():
        c.cdp.send(
            "Emulation.setSensorOverrideEnabled",
            {"enabled": True, "type": name, "metadata": {"available": True, "maximumFrequency": 60}},
        )
        feel(c, name, *value)
    page.evaluate(
        """() => localStorage.setItem("field-atlas-level", JSON.stringify({
          mower: { up: [0, 0, 1], ahead: [0, 1, 0], at: "2026-06-12T06:00:00Z" } }))"""
    )
    page.reload()
    until(page, "document.documentElement.classList.contains('ready')")
    c.press("tilt")
    until(page, "document.documentElement.dataset.tilt === 'within'")
    pull = 9.81 * np.array(on_plane(0.2, 90.0)[2])  # right, ahead and up parts of the world's up: flat tablet
    feel(c, "accelerometer", *(float(v) for v in pull))
    until(page, "fieldAtlas.tiltNow() !== null && Math.abs(fieldAtlas.tiltNow().side - 0.2) < 0.008")
    feel(c, kind, *shaken)
    until(page, "document.documentElement.dataset.tilt === 'moved'")
    assert page.evaluate("fieldAtlas.tiltNow()") is None


def test_a_level_is_kept_on_the_device_with_its_day_and_offered_again(tilt_visit: Visit, walked: Walked) -> None:
    c = cab(tilt_visit, walked)
    c.stand(0.0, 0.0)
    c.level(uphill=False)
    assert c.says().startswith("Set to level for Mower on 12 June")
    kept = json.loads(c.page.evaluate("localStorage.getItem('field-atlas-level')"))
    assert list(kept) == ["mower"]
    assert kept["mower"]["at"].startswith("2026-06-12T08:0")
    c.page.reload()
    until(c.page, "document.documentElement.classList.contains('ready')")
    assert c.state() == "off"
    c.page.evaluate(LISTEN_ORIENTATION)
    c.press("tilt")
    c.stand(0.15, 90.0)
    assert c.state() == "within"
    assert degrees(c.now()["side"]) == pytest.approx(degrees(0.15), abs=0.2)
    choose(c.page, "wide", "firm", "practised")
    c.page.clock.run_for(300)
    assert c.state() == "unset"
    assert c.says().startswith("Not set to level for Wide mower, but for Mower on 12 June")
    c.press("level-use")
    c.page.clock.run_for(300)
    assert c.state() == "within"


def test_readings_that_cannot_be_right_are_refused(tilt_visit: Visit, walked: Walked) -> None:
    c = cab(tilt_visit, walked)
    c.stand(0.04, 70.0)
    c.press("level-begin")
    c.read()
    c.read()  # not turned round
    assert "was not turned right round" in c.says()
    c.read()
    c.stand(0.5, 250.0)  # another place altogether
    c.read()
    assert "do not go together" in c.says()
    c.press("level-read")
    c.page.clock.run_for(500)
    tell(c.page, c.cdp, 10, 40, 25)
    c.page.clock.run_for(2000)
    assert "was not still" in c.says()
    c.press("level-cancel")
    c.level(uphill=False)
    c.press("level-begin")
    c.stand(0.04, 70.0)
    c.read()
    c.stand(0.04, 250.0)
    c.read()
    c.stand(0.03, 0.0)
    c.read("level-uphill")
    assert "too little slope" in c.says()


@pytest.mark.parametrize(
    ("spoilt", "said"),
    [
        ("", "This device gives no tilt here"),
        ("Object.defineProperty(window, 'isSecureContext', { value: false })", "opened like this"),
        ("DeviceMotionEvent.requestPermission = () => Promise.resolve('denied')", "was told not to give the tilt"),
    ],
)
def test_without_a_sensor_it_says_so(walked: Walked, browser: Browser, spoilt: str, said: str) -> None:
    with visiting(browser, 390, 844) as visit:
        visit.page.add_init_script(spoilt)
        page = open_sheet(visit, walked.sheet)
        page.locator("button[data-do=tilt]").click()
        page.clock.run_for(4000)
        until(page, f"document.getElementById('tilt-bar').textContent.includes({said!r})")
        assert page.locator("html").get_attribute("data-tilt") == "none"
        page.locator("[data-do=tilt-stop]").click()
        assert page.locator("html").get_attribute("data-tilt") == "off"
        visit.check_quiet()


@pytest.mark.parametrize("size", [(820, 1180), (390, 844)])
def test_bars_and_steps_fit_and_read(tilt_visit: Visit, walked: Walked, size: tuple[int, int]) -> None:
    c = cab(tilt_visit, walked)
    c.page.set_viewport_size({"width": size[0], "height": size[1]})
    c.stand(0.0, 0.0)
    check_looks(c.page)
    c.level(uphill=False)
    for share in (0.5, 0.9, 1.1):
        c.stand(0.24 * share, 90.0)
        check_looks(c.page)
        box = c.page.locator("#tilt-bar").bounding_box()
        assert box is not None
        assert box["height"] < 0.35 * size[1]


def check_looks(page: Page) -> None:
    assert violations(page) == []
    assert too_wide(page) == []
    small = page.evaluate(
        """() => [...document.querySelectorAll(".aid button, .aid-bar button")]
          .map(e => [e.textContent, e.getBoundingClientRect()])
          .filter(([, b]) => b.width > 0 && (b.height < 44 || b.width < 44)).map(([t]) => t)"""
    )
    assert small == []
