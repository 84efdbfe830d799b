#!/usr/bin/env python3
"""Looks at the relay's pages with Chromium, as people do, and prints what came of it as JSON.

Usage: look_at_pages.py --out DIR --camera NAME --day YYYY-MM-DD --at HH:MM:SS http://ADDRESS

Chromium is driven by Playwright; faults of accessibility are those that axe-core finds
(https://github.com/dequelabs/axe-core).
"""

import argparse
import json
import shutil
import time
from urllib.parse import urlsplit

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

LIMIT = 60_000


def serious(page):
    """What axe calls serious or critical, in a line each."""
    found = Axe().run(page).response["violations"]
    return [
        f"{fault['id']}: {node['html'][:120]}"
        for fault in found
        if fault["impact"] in ("serious", "critical")
        for node in fault["nodes"]
    ]


def play(page, selector):
    """Waits for a film that runs, and says how."""
    page.wait_for_function(
        "s => { const v = document.querySelector(s); return v && v.currentTime > 0 && v.videoWidth > 0; }",
        arg=selector, timeout=LIMIT, polling=50)
    begin = page.evaluate("s => document.querySelector(s).currentTime", selector)
    page.wait_for_function(
        "([s, t]) => { const v = document.querySelector(s);"
        " return v.currentTime > t + 2 && v.getVideoPlaybackQuality().totalVideoFrames > 20; }",
        arg=[selector, begin], timeout=LIMIT)
    return page.evaluate(
        "s => { const v = document.querySelector(s), q = v.getVideoPlaybackQuality();"
        " return {width: v.videoWidth, frames: q.totalVideoFrames, time: v.currentTime,"
        " error: v.error && v.error.message}; }", selector)


def tab_to(page, matches):
    """Presses Tab until what has the focus matches; how often."""
    for number in range(1, 200):
        page.keyboard.press("Tab")
        if page.evaluate("m => document.activeElement.matches(m)", matches):
            return number
    return None


def main():
    arguments = argparse.ArgumentParser()
    for name in ("--out", "--camera", "--day", "--at"):
        arguments.add_argument(name, required=True)
    arguments.add_argument("base")
    given = arguments.parse_args()
    told, asked = {}, []
    front, day = given.base + "/", f"{given.base}/day/{given.camera}/{given.day}"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"),
            args=["--no-sandbox", "--autoplay-policy=no-user-gesture-required"])

        def open_page(**options):
            context = browser.new_context(viewport={"width": 1200, "height": 900}, **options)
            page = context.new_page()
            page.set_default_timeout(LIMIT)
            page.on("request", lambda request: asked.append(request.url))
            page.on("pageerror", lambda error: told.setdefault("errors", []).append(str(error)))
            page.on("console", lambda line: told.setdefault("errors", []).append(line.text)
                    if line.type == "error" else None)
            return page

        page = open_page()
        page.goto(front)
        img = f"#{given.camera}-picture img"
        page.wait_for_function(
            "s => { const i = document.querySelector(s); return i && i.complete && i.naturalWidth; }",
            arg=img)
        told["still_width"] = page.evaluate("s => document.querySelector(s).naturalWidth", img)
        pictured = page.get_attribute(f"#{given.camera}-picture time", "datetime")
        told["still_age"] = page.evaluate("t => (Date.now() - Date.parse(t)) / 1000", pictured)
        told["answer"] = page.inner_text("#answer")
        told["axe_front"] = serious(page)
        page.screenshot(path=f"{given.out}/front-light.png", full_page=True)
        # It renews itself.
        page.wait_for_function(
            "([s, t]) => document.querySelector(s).getAttribute('datetime') !== t",
            arg=[f"#{given.camera}-picture time", pictured])
        told["renewed"] = True

        # With the keyboard alone.
        told["tabs_to_live"] = tab_to(page, "a.live")
        pressed = time.monotonic()
        page.keyboard.press("Enter")
        video = f"#{given.camera}-picture video"
        page.wait_for_function(
            "s => { const v = document.querySelector(s); return v && v.currentTime > 0 && v.videoWidth > 0; }",
            arg=video, timeout=LIMIT, polling=20)
        told["live_after"] = time.monotonic() - pressed
        told["live"] = play(page, video)
        page.screenshot(path=f"{given.out}/front-live.png")
        told["tabs_to_stop"] = tab_to(page, ".picture button")
        page.keyboard.press("Enter")
        page.wait_for_selector(img)
        told["stopped"] = page.query_selector(video) is None

        page.goto(day)
        told["axe_day"] = serious(page)
        told["hours"] = page.eval_on_selector_all(".hours a", "all => all.length")
        told["tabs_to_form"] = tab_to(page, "input[name=at]")
        page.fill("input[name=at]", given.at)
        page.keyboard.press("Enter")
        page.wait_for_selector("#player video")
        told["footage"] = play(page, "#player video")
        told["true_time"] = page.inner_text("#true-time")
        told["footage_time"] = page.evaluate("document.querySelector('#player video').currentTime")
        page.screenshot(path=f"{given.out}/day-light.png", full_page=True)
        # A click into the strip plays what was there.
        where = page.evaluate(
            "at => { const t = document.querySelector('.timeline').dataset, b = Number(t.begin);"
            " const [h, m, s] = at.split(':').map(Number);"
            " return (h * 3600 + m * 60 + s) * 1000 / (Number(t.end) - b); }", given.at)
        box = page.query_selector(".timeline").bounding_box()
        page.mouse.click(box["x"] + box["width"] * where, box["y"] + 15)
        page.wait_for_url("**at=*")
        told["clicked"] = page.url.split("?")[1]

        for name, address in (("front", front), ("day", f"{day}?at={given.at}")):
            for look, options in (
                    ("dark", {"color_scheme": "dark"}),
                    ("phone", {**playwright.devices["Pixel 5"], "color_scheme": "light"})):
                options.pop("default_browser_type", None)
                context = browser.new_context(**options)
                other = context.new_page()
                other.set_default_timeout(LIMIT)
                other.on("request", lambda request: asked.append(request.url))
                other.goto(address)
                other.wait_for_timeout(1500)
                told.setdefault("wider", []).append(other.evaluate(
                    "document.documentElement.scrollWidth - document.documentElement.clientWidth"))
                told.setdefault("axe_" + look, []).extend(serious(other))
                other.screenshot(path=f"{given.out}/{name}-{look}.png", full_page=True)
                context.close()

        # Without script.
        plain = browser.new_context(java_script_enabled=False).new_page()
        plain.set_default_timeout(LIMIT)
        plain.on("request", lambda request: asked.append(request.url))
        plain.goto(front)
        told["plain"] = {
            "answer": plain.inner_text("#answer"),
            "live": plain.get_attribute("a.live", "href"),
            "strips": len(plain.query_selector_all("svg.strip")),
        }
        plain.click(f"#days a[href='/day/{given.camera}/{given.day}'] >> nth=0")
        plain.fill("input[name=at]", given.at)
        plain.click("button[type=submit]")
        told["plain"]["footage"] = plain.get_attribute("#player video", "src")
        browser.close()
    host = urlsplit(given.base).netloc
    told["elsewhere"] = sorted({url for url in asked
                                if urlsplit(url).scheme not in ("data", "blob") and urlsplit(url).netloc != host})
    print(json.dumps(told))


if __name__ == "__main__":
    main()
