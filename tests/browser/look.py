"""Looks at live page and report in a real browser, as somebody on board would; ends with an error at the first thing that is wrong.

Needs PyPI `selenium`, a chromium with its chromedriver on PATH, and npm `axe-core` (a file axe.min.js). Arguments: a JSON
file, see `Case` in tests/browser.rs. Writes pictures into its folder and figures, one a line, to standard output.
"""

import base64
import json
import shutil
import sys
import time
from urllib.parse import urlsplit

from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

case = json.load(open(sys.argv[1]))
AXE = open(case["axe"]).read()
WIDTHS = [("phone", 390, 844), ("tablet", 820, 1180), ("desktop", 1360, 900)]
# A browser that hangs is no reason for the test to hang too; no figure depends on this.
PATIENCE = 200


def browser():
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or shutil.which("google-chrome")
    for flag in ["--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--disable-dev-shm-usage", "--window-size=1360,900"]:
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    driver.set_page_load_timeout(PATIENCE)
    return driver


driver = browser()
asked_for = []


def requests():
    """Addresses asked for since the last call."""
    new = []
    for entry in driver.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            new.append(message["params"]["request"]["url"])
    asked_for.extend(new)
    return new


def until(what, found):
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        value = found()
        if value:
            return value
        time.sleep(0.1)
    raise SystemExit(f"waited in vain for {what}; the page says:\n" + text("body")[:3000])


def text(where):
    return driver.execute_script("const e = document.querySelector(arguments[0]); return e ? e.innerText : ''", where)


def drawn():
    """The charts have something to show, and all of it has come."""
    says = text("#reading")
    return says and not says.startswith(driver.find_element(By.ID, "charts").get_attribute("data-loading"))


def tiles():
    return [u for u in requests() if "/tile/" in u]


def check_axe(name):
    driver.execute_script(AXE)
    result = driver.execute_async_script("const done = arguments[arguments.length - 1]; axe.run().then(done, (e) => done({ error: String(e) }))")
    if "error" in result:
        raise SystemExit(f"axe on {name}: {result['error']}")
    bad = [v for v in result["violations"] if v["impact"] in ("serious", "critical")]
    if bad:
        places = [f"{v['id']} ({v['impact']}): {v['help']}\n  " + "\n  ".join(n["html"][:200] for n in v["nodes"][:5]) for v in bad]
        raise SystemExit(f"axe on {name}:\n" + "\n".join(places))
    print(f"axe-core {result['testEngine']['version']} on {name}: {len(result['passes'])} rules passed, no serious violation, "
          f"{len(result['violations'])} of lesser weight {[v['id'] for v in result['violations']]}")


def check_console(name):
    errors = [e["message"] for e in driver.get_log("browser") if e["level"] == "SEVERE"]
    if errors:
        raise SystemExit(f"console of {name}: {errors}")


def pictures(name):
    for dark in (False, True):
        scheme = "dark" if dark else "light"
        driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]})
        for width_name, width, height in WIDTHS:
            size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
            driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
            time.sleep(0.7)
            wide = driver.execute_script("return document.documentElement.scrollWidth")
            if wide > width:
                raise SystemExit(f"{name} at {width} px must be scrolled sideways: it is {wide} px wide")
            tall = min(driver.execute_script("return document.documentElement.scrollHeight"), 6000)
            clip = {"x": 0, "y": 0, "width": width, "height": tall, "scale": 1}
            shot = driver.execute_cdp_cmd("Page.captureScreenshot", {"captureBeyondViewport": True, "clip": clip})
            with open(f"{case['pictures']}/{name}-{width_name}-{scheme}.png", "wb") as file:
                file.write(base64.b64decode(shot["data"]))
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
    driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


FOCUSABLE = "return [...document.querySelectorAll('a[href], button, input, summary, [tabindex=\"0\"]')].filter((e) => e.getClientRects().length)"


def check_keyboard(name):
    """Tab reaches everything that can be used, and nothing holds it."""
    driver.execute_script("document.activeElement.blur(); window.scrollTo(0, 0); window.seen = new Set()")
    usable = len(driver.execute_script(FOCUSABLE))
    for _ in range(usable + 5):
        driver.switch_to.active_element.send_keys(Keys.TAB)
        driver.execute_script("const e = document.activeElement; e.dataset.reached = '1'")
    missed = driver.execute_script(FOCUSABLE + ".filter((e) => !e.dataset.reached).map((e) => e.outerHTML.slice(0, 160))")
    # Parts that were renewed meanwhile have lost the mark; go round once more for these.
    for _ in range(2 * usable if missed else 0):
        driver.switch_to.active_element.send_keys(Keys.TAB)
        driver.execute_script("document.activeElement.dataset.reached = '1'")
    missed = driver.execute_script(FOCUSABLE + ".filter((e) => !e.dataset.reached).map((e) => e.outerHTML.slice(0, 160))")
    if missed:
        raise SystemExit(f"{name}: the keyboard does not reach {missed}")
    print(f"keyboard on {name}: all {usable} things that can be used were reached")


def live():
    driver.get(case["live"])
    until("the bank's stage", lambda: text("#now .value"))
    until("charts", drawn)
    heads = set()
    until("three newer heads of the page", lambda: heads.add(text("#head")) or len(heads) >= 3)
    print("the live page was renewed by itself while the recorder wrote")
    # What was opened with the keyboard stays open and keeps the focus when its part is renewed.
    summary = driver.find_element(By.CSS_SELECTOR, "#now summary")
    driver.execute_script("arguments[0].focus()", summary)
    summary.send_keys(Keys.ENTER)
    driver.execute_script("window.before = document.querySelector('#now details')")
    until("a renewed part", lambda: driver.execute_script("return window.before !== document.querySelector('#now details')"))
    kept = driver.execute_script("const d = document.querySelector('#now details'); return d.open && d.contains(document.activeElement)")
    if not kept:
        raise SystemExit("what was open and had the focus was closed or lost it")
    box = driver.find_element(By.ID, "charts")
    box.send_keys(Keys.ARROW_LEFT)
    until("values at the reading line", lambda: " · " in text("#reading"))
    check_keyboard("live page")
    check_axe("live page")
    check_console("live page")
    pictures("live")


def month():
    requests()
    began = time.monotonic()
    driver.get(case["month"])
    until("the bank's stage", lambda: text("#now .value"))
    until("charts", drawn)
    print(f"a database of 30 days: page with stage, sources and charts after {time.monotonic() - began:.2f} s in the browser")
    first = len(tiles())
    earlier, later = (driver.find_element(By.CSS_SELECTOR, f"[data-does={d}]") for d in ("earlier", "later"))
    box = driver.find_element(By.ID, "charts")
    for _ in range(6):
        earlier.click()
        time.sleep(0.2)
    until("charts", drawn)
    panned = len(tiles())
    for _ in range(6):
        later.click()
        time.sleep(0.2)
    until("charts", drawn)
    back = tiles()
    print(f"tiles asked for: {first} at first, {panned} on six steps back, {len(back)} on the way to now again")
    if not 0 < panned <= 12:
        raise SystemExit("panning by three screens needs about three screens of tiles")
    if len(back) > 1:
        raise SystemExit(f"what had been loaded was asked for again: {back}")
    for _ in range(12):
        driver.find_element(By.CSS_SELECTOR, "[data-does=wider]").click()
    until("charts", drawn)
    whole = len(tiles())
    print(f"zooming out to all 30 days asked for {whole} tiles")
    if whole > 60:
        raise SystemExit("zooming out asks for too much")
    box.send_keys(Keys.ARROW_LEFT)
    check_console("page of a month")
    pictures("month")


def hostile():
    driver.get(case["hostile"])
    until("the sources", lambda: text("#now .source"))
    found = driver.execute_script("return [document.querySelectorAll('img, iframe, object, b b, script:not([src])').length, document.title, document.body.textContent]")
    if found[0] or "<img" not in found[2] or any(c in found[2] for c in "\u202e\u2066\x07\x1b"):
        raise SystemExit(f"names came as more than text: {found[0]} elements")
    if driver.execute_script("return window.touched === true"):
        raise SystemExit("a name was run")
    wide = driver.execute_script("return document.documentElement.scrollWidth - window.innerWidth")
    if wide > 0:
        raise SystemExit("a name of 10 kB makes the page wider than its window")
    check_axe("page with hostile names")
    check_console("page with hostile names")
    driver.get(case["hostile"] + "report")
    found = driver.execute_script("return [document.querySelectorAll('img, iframe, object').length, window.touched === true, document.body.textContent]")
    if found[0] or found[1] or "<img" not in found[2] or any(c in found[2] for c in "\u202e\u2066\x07\x1b"):
        raise SystemExit("names in the report came as more than text")
    check_console("report with hostile names")
    driver.get(case["refused"])
    until("what is wrong with the intent", lambda: "mistakes" in text("#advice"))
    found = driver.execute_script("return [document.querySelectorAll('img').length, window.touched === true, document.body.textContent]")
    if found[0] or found[1] or any(c in found[2] for c in "\u202e\u2066\x07\x1b"):
        raise SystemExit("what is wrong with names came as more than text")
    print("hostile names stand as text on page and report")


def without_script():
    driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    driver.get(case["month"])
    source = driver.page_source
    driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    if 'class="value"' not in source or "http-equiv" not in source:
        raise SystemExit("without script the page shows nothing")
    print("without script the page shows the latest state and renews itself")


def missing():
    driver.get(case["fresh"])
    until("what is missing", lambda: text("#advice"))
    print("a fresh install is told: " + " / ".join(text("#advice").splitlines()))
    check_axe("page of a fresh install")
    pictures("fresh")


def report():
    driver.get(case["report"])
    check_keyboard("report")
    check_axe("report")
    check_console("report")
    pictures("report")


try:
    live()
    month()
    hostile()
    without_script()
    missing()
    report()
    requests()
    away = [u for u in asked_for if urlsplit(u).scheme not in ("data", "file") and urlsplit(u).hostname != "127.0.0.1"]
    away = [u for u in away if not u.startswith("chrome")]
    if away:
        raise SystemExit(f"these left the machine: {away}")
    print(f"{len(asked_for)} requests, none left the machine")
finally:
    driver.quit()
