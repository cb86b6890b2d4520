"""The app in a real browser: the demo clutch, an uploaded photo, a hold-back mark that outlives a reload."""

import os
import shutil
import socket
import subprocess
import sys
import time
from urllib.parse import urlparse

import pytest
from PIL import Image

from triage.workflow.demo import demo_sheet_path
from triage.workflow.sheet import load_sheet

pytestmark = pytest.mark.browser

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
if CHROMIUM is None and not os.environ.get("CI"):
    pytest.skip("Chromium is not installed (Debian: apt install chromium)", allow_module_level=True)
WAIT_MS = 40_000
START_S = 40


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = {**os.environ, "TRIAGE_DATA": str(tmp_path_factory.mktemp("data"))}
    log = tmp_path_factory.mktemp("log") / "server.txt"
    with log.open("w") as output:
        server = subprocess.Popen(
            [sys.executable, "-m", "triage.cli.main", "app", "--port", str(port), "--no-browser"],
            env=environment, stdout=output, stderr=subprocess.STDOUT,
        )
        try:
            _wait_for(port, server, log)
            yield f"http://localhost:{port}"
        finally:
            server.terminate()
            server.wait(timeout=20)


def _wait_for(port, server, log):
    end = time.monotonic() + START_S
    while time.monotonic() < end:
        assert server.poll() is None, log.read_text()
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.2)
    raise AssertionError(f"no server after {START_S} s: {log.read_text()}")


@pytest.fixture
def page():
    from playwright.sync_api import sync_playwright

    assert CHROMIUM is not None, "CI needs Chromium (Debian: apt install chromium)"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        found = browser.new_page(viewport={"width": 1280, "height": 900})
        found.set_default_timeout(WAIT_MS)
        yield found
        browser.close()


def button(page, name):
    return page.get_by_role("button", name=name, exact=True)


def test_the_keepers_round(page, address, tmp_path):
    asked, troubles = set(), []
    page.on("request", lambda request: asked.add(request.url))
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("console", lambda said: troubles.append(said.text) if said.type == "error" else None)
    demo = load_sheet(demo_sheet_path())
    labels = [egg.label for egg in demo.eggs]

    page.goto(address)
    button(page, "Show the demo clutch").click()
    page.locator(".tr-counts").wait_for()
    page.locator(".tr-who strong").nth(len(labels) - 1).wait_for()  # eggs are drawn one after another
    assert sorted(page.locator(".tr-who strong").all_inner_texts()) == sorted(labels)

    button(page, f"Open {labels[0]}").click()
    button(page, f"Hold {labels[0]} back").click()
    button(page, f"Undo the hold-back of {labels[0]}").wait_for()
    page.reload()
    page.locator(".tr-tile", has_text="held back").wait_for()
    button(page, f"Open {labels[0]}").click()
    button(page, f"Undo the hold-back of {labels[0]}").click()
    button(page, f"Hold {labels[0]} back").wait_for()
    page.keyboard.press("Escape")
    page.locator(".tr-tile", has_text="held back").wait_for(state="detached")
    page.reload()
    page.locator(".tr-tile").first.wait_for()
    assert page.locator(".tr-tile", has_text="held back").count() == 0

    photo = next(p for egg in demo.eggs for p in egg.photos)
    with Image.open(photo.path) as picture:
        picture.convert("RGB").resize((400, 400)).save(tmp_path / "Newcomer.jpg")
    page.locator("summary", has_text="The clutch").first.click()
    page.locator("input[type=file]").set_input_files(tmp_path / "Newcomer.jpg")
    page.get_by_alt_text("Photo Newcomer.jpg").wait_for()
    button(page, "Sort this clutch").click()
    page.locator(".tr-who strong", has_text="Newcomer").wait_for()
    assert page.get_by_alt_text("Photo of hatchling Newcomer").count() == 1

    assert troubles == []
    outside = {url for url in asked if urlparse(url).scheme not in ("data", "blob") and urlparse(url).hostname != "localhost"}
    assert outside == set(), "the app must not ask anything of another machine"


def test_nothing_is_lost_of_what_is_typed_quickly(page, address):
    page.goto(address)
    fields = [page.get_by_label(name, exact=True) for name in ("Clutch", "Dam", "Her genes", "Sire", "His genes")]
    for turn in range(5):
        typed = [f"{turn} of {number}" for number in range(len(fields))]
        for field, text in zip(fields, typed, strict=True):
            field.fill(text)
            field.press("Tab")
        page.wait_for_timeout(1000)
        assert [field.input_value() for field in fields] == typed


def test_a_phone_shows_everything_without_scrolling_sideways(page, address):
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(f"{address}/?clutch=demo")
    page.locator(".tr-counts").wait_for()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    overflowing = page.evaluate(
        "[...document.querySelectorAll('.tr *')].filter(e => e.getBoundingClientRect().right > 391).length"
    )
    assert overflowing == 0


def test_six_hatchlings_lie_on_three_screens_of_a_phone_and_each_opens_large(page, address):
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(f"{address}/?clutch=demo")
    page.locator(".tr-tile").nth(6).wait_for()
    page.locator(".tr-tile img").last.wait_for()
    tops = page.evaluate("[...document.querySelectorAll('.tr-tile')].map(e => e.getBoundingClientRect())")
    assert tops[5]["bottom"] <= 3 * 844, "with everything above them"
    assert all(tile["width"] >= 160 for tile in tops)
    button(page, "Open A4").click()
    large = page.get_by_alt_text("Photo 1 of hatchling A4")
    large.wait_for()
    assert large.bounding_box()["width"] >= 300
    button(page, "Next").click()
    page.get_by_alt_text("Photo 1 of hatchling A5").wait_for()
    page.keyboard.press("Escape")
    page.get_by_role("dialog").wait_for(state="detached")


def test_the_forms_for_genes_and_traits_of_ones_own_fit_a_phone(page, address):
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(address)  # a server just started knows its other pages once the first has been drawn
    button(page, "Show the demo clutch").wait_for()
    page.goto(f"{address}/genes")
    page.locator("summary", has_text="Genes of your own").click()
    page.get_by_label("Name", exact=True).fill("dusk")
    button(page, "Keep the gene").click()
    page.get_by_text("dusk kept among your own genes").wait_for()
    for where, what in (("genes", "Genes of your own"), ("collection", "Enter an animal")):
        page.goto(f"{address}/{where}")
        page.locator("summary", has_text=what).first.wait_for()
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.get_by_label("Name", exact=True).fill("Clove")
    page.get_by_label("Its genes, as its papers say").fill("dusk")
    page.get_by_text("Understood: dusk").wait_for()
    button(page, "Enter it").click()
    page.locator("summary", has_text="Traits that are no known gene").click()
    page.get_by_label("What you see").fill("kinked tail")
    button(page, "Keep the trait").click()
    page.get_by_text("Traits that are no known gene (1)").wait_for()
    outside = "[...document.querySelectorAll('[data-testid=stMain] button, [data-testid=stMain] input')]"
    assert page.evaluate(f"{outside}.filter(e => e.getBoundingClientRect().right > 391).length") == 0
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
