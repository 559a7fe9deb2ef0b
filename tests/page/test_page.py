"""The page in a real browser, as a phone shows it: pictures as text, presses, losses."""

from __future__ import annotations

import importlib.util
import json
import time
from pathlib import Path

import pytest

from kit.chromium import Chromium, chromium_is_installed
from kit.page_process import PageHarness
from zerobeat.engine.commands import Bypass, CancelWaiting, Mute, RecallScene
from zerobeat.midi import NoteOn

SCREENS = Path(__file__).parent / "screens"
WIDTH, HEIGHT = 360, 640
LARGEST_PAGE = 50_000
SHOWN_S = 0.3

pytestmark = pytest.mark.skipif(
    not chromium_is_installed(), reason="chromium is not installed (Debian's package chromium)"
)


@pytest.fixture(scope="module")
def phone_and_page(tmp_path_factory):
    """One browser and one page for all tests here; each test has a daemon of its own."""
    with (
        PageHarness(tmp_path_factory.mktemp("page")) as page,
        Chromium(WIDTH, HEIGHT, page.turn) as browser,
    ):
        yield browser, page


@pytest.fixture
def page(phone_and_page):
    browser, page = phone_and_page
    page.new_daemon()
    browser.open("about:blank")
    browser.call("Storage.clearDataForOrigin", origin=page.address, storageTypes="all")
    return page


@pytest.fixture
def browser(phone_and_page, page):
    browser, _ = phone_and_page
    browser.events.clear()
    browser.open(f"{page.address}/")
    browser.until(
        "document.querySelector('#first').textContent === 'all well' &&"
        " !document.body.classList.contains('old')"
    )
    return browser


def said(browser, id_: str) -> str:
    return browser.value(f"document.querySelector('#{id_}').textContent")


def pair(browser, page) -> None:
    browser.open("about:blank")
    browser.open(page.ask("pair")["links"][0])
    browser.until("!document.querySelector('#stage').hidden")


def golden(name: str, browser, request) -> None:
    """Compare what stands on the page with a picture people can read."""
    assert browser.value("document.documentElement.scrollWidth") <= WIDTH, "wider than the screen"
    browser.value("(() => { document.querySelector('#age').textContent = 'picture N s old'; })()")
    shown = browser.text()
    path = SCREENS / f"{name}.txt"
    if request.config.getoption("--rewrite-golden"):
        path.write_text(shown)
    assert shown.splitlines() == path.read_text().splitlines()


# ---------------------------------------------------------------- pictures


def test_a_picture_without_pairing(browser, page, request):
    for key in (60, 64):
        page.desk.case.hear(NoteOn(0, key, 100))
    browser.until("document.querySelector('#voices').textContent.includes('E4')")
    golden("looks", browser, request)
    first_screen = browser.value("document.querySelector('#flags').getBoundingClientRect().bottom")
    assert first_screen < HEIGHT, "scene, next, what waits and the locks want no scrolling"
    assert browser.problems() == []


def test_a_picture_of_trouble_of_what_waits_and_of_flags(browser, page, request):
    desk = page.desk
    desk.states["keys"] = "missing"
    desk.states["octo"] = "ambiguous"
    for command in (RecallScene("steps"), Bypass(None, True), Mute("bass", True)):
        desk.case.hear(command, "")
    browser.until("document.querySelector('#flags').textContent.includes('muted: bass')")
    golden("trouble", browser, request)


def test_a_picture_of_a_paired_phone_and_its_large_mode(browser, page, request):
    pair(browser, page)
    golden("paired", browser, request)
    browser.press("#large")
    golden("large", browser, request)
    size = browser.value("parseFloat(getComputedStyle(document.querySelector('#scene')).fontSize)")
    assert size >= 56
    browser.press("#large")


def test_a_needle_while_a_voice_is_tuned(browser, page, request):
    needle = {"voice": "reed", "off_cents": 12.3, "where": "near", "turn": "down"}
    page.desk.more["needle"] = needle
    browser.until("!document.querySelector('#needle').hidden")
    golden("needle", browser, request)
    turned = browser.value("document.querySelector('#pointer').style.transform")
    # log(1 + 12.3) / log(1 + 600) of 80 degrees, to three digits (arithmetic)
    assert turned == "rotate(32.32deg)"
    page.desk.more["needle"] = None
    browser.until("document.querySelector('#needle').hidden")


def test_names_are_text_and_never_markup(browser, page):
    page.desk.more["foot"] = "<img src=x onerror=alert(1)>\x1b[2J"
    browser.until("document.querySelector('#foot').textContent.includes('<img')")
    assert browser.value("document.images.length") == 0
    assert browser.problems() == []


def test_nothing_comes_from_outside_and_all_is_small(browser, page):
    loaded = browser.value(
        "performance.getEntriesByType('resource').map((e) => [e.name, e.decodedBodySize])"
    )
    assert all(name.startswith(page.address + "/") for name, _ in loaded)
    whole = sum(len(page.request(path)[2]) for path in ("/", "/page.css", "/page.js", "/icon.svg"))
    assert whole < LARGEST_PAGE


def test_an_accessibility_checker_finds_no_fault(browser, page):
    found = importlib.util.find_spec("axe_core_python")
    if found is None or found.origin is None:
        pytest.skip("axe-core-python is not installed")
    pair(browser, page)
    page.desk.states["keys"] = "missing"
    page.desk.more["needle"] = {"voice": "reed", "off_cents": 0.2, "where": "there", "turn": ""}
    browser.until("!document.querySelector('#needle').hidden")
    browser.value("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    browser.value((Path(found.origin).parent / "axe.min.js").read_text() + "; 1")
    for state in ("live", "old"):
        if state == "old":
            page.desk.close()
            browser.until("document.body.classList.contains('old')")
        result = browser.value("axe.run().then((r) => [r.violations, r.passes.length])")
        faults = [(v["id"], [node["html"][:120] for node in v["nodes"]]) for v in result[0]]
        assert faults == [], state
        assert result[1] > 20, "hardly a rule applied"


# ---------------------------------------------------------------- while it plays


def test_a_scene_changed_by_foot_shows_at_once(browser, page):
    """Half of the bound is the daemon's own: it makes four pictures a second."""
    took = []
    browser.value(
        "(() => { window.seen = []; new MutationObserver(() => seen.push(Date.now()))"
        ".observe(document.querySelector('#waits'), {childList: true, characterData: true,"
        " subtree: true}); })()"
    )
    engine = page.desk.case
    for turn in range(4):
        count = browser.value("seen.length")
        at_s = time.time()
        engine.hear(CancelWaiting() if turn % 2 else RecallScene("steps"), "")
        browser.until(f"seen.length > {count}")
        took.append(browser.value("seen[seen.length - 1]") / 1000 - at_s)
    assert sorted(took)[len(took) // 2] <= SHOWN_S, took


def test_a_daemon_that_is_killed_and_comes_back(browser, page):
    page.desk.close()
    browser.until("document.body.classList.contains('old')")
    assert said(browser, "link") == "zerobeat has stopped: waiting for it"
    assert said(browser, "scene") == "together"  # the old picture stays, dimmed
    assert browser.value("getComputedStyle(document.querySelector('main')).opacity") < "0.7"
    page.desk.start()
    browser.until("!document.body.classList.contains('old')")
    assert browser.value("document.querySelector('#link').hidden")


def test_a_page_that_is_killed_and_comes_back(browser, page):
    pair(browser, page)
    page.process.kill()
    page.process.wait()
    browser.until("document.body.classList.contains('old')")
    assert "connection lost" in said(browser, "link")
    page.start()
    browser.until("!document.body.classList.contains('old')")
    assert not browser.value("document.querySelector('#stage').hidden")  # pairing lasts
    browser.press("[data-command=trigger]")
    browser.until("document.querySelector('#answer').textContent.includes('triggered')")


def test_presses_act_once_and_dangerous_ones_are_held(browser, page):
    pair(browser, page)
    engine = page.desk.case.engine
    browser.press("[data-command=next]")
    browser.until("document.querySelector('#answer').textContent.startsWith('next: scene drone')")
    assert engine.live.wanted_scene.name == "drone"
    time.sleep(0.15)  # else it is the same press
    twice = "document.querySelector('[data-command=next]')"
    browser.value(
        f"new Promise((done) => {{ {twice}.click(); setTimeout(() => {{ {twice}.click();"
        " done(1); }, 20); })"
    )
    browser.until("document.querySelector('#waits').textContent.includes('steps')")
    assert engine.live.wanted_scene.name == "steps"
    browser.press("#panic", hold_s=0.3)
    browser.until("document.querySelector('#answer').textContent.includes('half a second')")
    browser.press("#bypass", hold_s=0.7)
    browser.until("document.querySelector('#answer').textContent.includes('played raw')")
    browser.until("document.querySelector('#bypass').textContent === 'correct all'")
    away = browser.value(
        "document.querySelector('#panic').getBoundingClientRect().top - "
        "document.querySelector('[data-command=next]').getBoundingClientRect().bottom"
    )
    assert away > 100


def test_a_pedal_pairs_the_phone_that_asks_and_a_revoked_one_only_looks(browser, page):
    page.desk.more["asked_by_foot"] = {"pair": 3}
    page.until(lambda: "none waits" in page.log(), "a press that counts for nothing")
    page.ask("revoke", phone="all")
    browser.press("#pair")
    browser.until("document.querySelector('#asked').textContent.includes('Press the pedal')")
    page.desk.more["asked_by_foot"] = {"pair": 4}
    browser.until("!document.querySelector('#stage').hidden")
    assert json.loads((page.folder / "state/page/phones.json").read_text())["phones"]
    page.ask("revoke", phone="all")
    browser.press("[data-command=trigger]")
    browser.until("!document.querySelector('#pairing').hidden")
    assert "no longer paired" in said(browser, "asked")
