"""A phone in a real browser: let in by code or passphrase, a photo of its camera in full size, nothing for whoever looks on."""

import hashlib
import os
import shutil
from urllib.parse import urlsplit

import numpy as np
import pytest
from conftest import Gated
from PIL import Image
from test_announcement import scanned

from triage.app.network.entry_page import entry_page
from triage.workflow.book import open_archive, open_photos
from triage.workflow.demo import demo_sheet_path

pytestmark = pytest.mark.browser

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
if CHROMIUM is None and not os.environ.get("CI"):
    pytest.skip("Chromium is not installed (Debian: apt install chromium)", allow_module_level=True)
WAIT_MS = 60_000
#: A photo of 12 million pixels, as phones take them: held upright, so that the sensor lies on its side.
SENSOR = (4032, 3024)
TURNED, TAKEN_AT, PLACE = 0x0112, 0x8769, 0x8825


@pytest.fixture
def browser():
    from playwright.sync_api import sync_playwright

    assert CHROMIUM is not None, "CI needs Chromium (Debian: apt install chromium)"
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        yield found
        found.close()


def phone_of(browser, **more):
    page = browser.new_context(viewport={"width": 390, "height": 844}, is_mobile=True, has_touch=True, **more).new_page()
    page.set_default_timeout(WAIT_MS)
    return page


def camera_photo(file):
    """The demo's first hatchling as a camera would have taken it: large, grainy, lying on its side, with place and time."""
    with Image.open(demo_sheet_path().parent / "a1.jpg") as drawn:
        upright = drawn.convert("RGB").resize(SENSOR[::-1], Image.Resampling.BICUBIC)
    grain = np.random.default_rng(7).normal(0, 6, (*upright.size[::-1], 1))
    lying = Image.fromarray((np.asarray(upright) + grain).clip(0, 255).astype(np.uint8)).transpose(Image.Transpose.ROTATE_90)
    tags = Image.Exif()
    tags[TURNED] = 6
    tags.get_ifd(TAKEN_AT)[0x9003] = "2031:08:01 07:00:00"
    tags.get_ifd(PLACE).update({1: "N", 2: (48.0, 12.0, 30.0), 3: "E", 4: (11.0, 30.0, 0.0)})
    lying.save(file, "JPEG", quality=95, exif=tags)
    return file


def test_a_phone_scans_the_code_takes_a_photo_and_keeps_the_clutch(home, browser, tmp_path, monkeypatch):
    server = Gated(tmp_path / "server", "--network", home, name=home, at=home)
    monkeypatch.setenv("TRIAGE_DATA", str(server.folder / "data"))
    photo = camera_photo(tmp_path / "P1.jpg")
    assert photo.stat().st_size > 4 * 2**20 and Image.open(photo).size == SENSOR
    phone = phone_of(browser)
    asked, sent = [], []
    phone.on("request", lambda request: asked.append((request.method, request.url)))
    phone.on("request", lambda request: sent.append(request) if request.method == "PUT" else None)
    try:
        phone.goto(scanned(server.log.read_text()))
        phone.get_by_role("button", name="Show the demo clutch").wait_for()
        assert phone.evaluate("location.href") == f"http://{home}:{server.port}/"
        assert not any("#" in url or "code=" in url for _, url in asked[1:])  # in no address but the one that was scanned

        phone.get_by_label("Her genes").fill("pastel")
        phone.locator("input[type=file]").set_input_files(photo)
        phone.get_by_alt_text("Photo P1.jpg").wait_for()
        box = phone.get_by_alt_text("Photo P1.jpg").first
        assert box.evaluate("image => image.complete && image.naturalWidth > 0")
        assert len(sent) == 1 and int(sent[0].all_headers()["content-length"]) > photo.stat().st_size
        phone.get_by_role("button", name="Sort this clutch").click()
        phone.get_by_alt_text("Photo of hatchling P1").wait_for()
        phone.get_by_label("Name of the clutch").fill("2031-1")
        phone.get_by_role("button", name="Keep this clutch").click()
        phone.get_by_text("1 eggs and 1 photos kept").wait_for()
        assert phone.evaluate("document.documentElement.scrollWidth") <= 390

        for method, url in {one for one in asked if "/_stcore/" in one[1] or "/media/" in one[1] or "/static/" in one[1]}:
            path = url.removeprefix(f"http://{home}:{server.port}")
            status, _, body = server.told(path, method, b"x" if method == "PUT" else b"")
            assert (status, body) == (403, entry_page()), path
        assert {url.split("/")[3] for _, url in asked} >= {"_stcore", "media", "static"}
        assert {urlsplit(url).hostname for _, url in asked if not url.startswith(("data:", "blob:"))} == {home}
        assert server.watched.read_text() == ""
    finally:
        server.stop()

    (kept,) = open_archive().all("photo")
    assert kept.content.source_sha256 == hashlib.sha256(photo.read_bytes()).hexdigest()  # every byte arrived
    with Image.open(open_photos().path(kept.content.sha256)) as picture, Image.open(photo) as taken:
        assert taken.getexif()[TURNED] == 6 and len(taken.getexif().get_ifd(PLACE)) == 4
        assert picture.height > picture.width and dict(picture.getexif()) == {} and "exif" not in picture.info
        upright = np.asarray(Image.open(demo_sheet_path().parent / "a1.jpg").convert("L").resize((30, 40)), float)
        as_kept = np.asarray(picture.convert("L").resize((30, 40)), float)
    assert np.corrcoef(upright.ravel(), as_kept.ravel())[0, 1] > 0.95


def test_a_phone_types_the_passphrase_over_tls(sealed, browser):
    phone = phone_of(browser, ignore_https_errors=True)
    troubles = []
    phone.on("pageerror", lambda error: troubles.append(str(error)))
    phone.goto(f"https://{sealed.name}:{sealed.port}/genes")
    assert phone.evaluate("document.documentElement.scrollWidth") <= 390
    phone.get_by_label("Passphrase").fill("no such words")
    phone.get_by_role("button", name="Enter").click()
    phone.get_by_text("That is not the passphrase.").wait_for()
    phone.wait_for_timeout(1000)  # the wait that a wrong try costs
    phone.get_by_label("Passphrase").fill(sealed.passphrase.title() + " ")
    phone.get_by_label("Passphrase").press("Enter")
    phone.get_by_role("button", name="Show the demo clutch").click()
    phone.locator(".tr-counts").wait_for()
    (cookie,) = [one for one in phone.context.cookies() if one["name"] == "__Host-triage"]
    assert cookie["secure"] and cookie["httpOnly"] and cookie["sameSite"] == "Strict" and cookie["expires"] == -1
    assert "__Host-triage" not in phone.evaluate("document.cookie")
    assert troubles == []


def test_a_code_that_was_used_asks_for_the_passphrase(gated, browser):
    """And the code leaves the address before anything is sent, so that no history keeps it."""
    url = scanned(gated.log.read_text())
    for _ in range(2):
        phone, been = phone_of(browser), []
        phone.on("framenavigated", lambda frame, been=been: been.append(frame.url))
        phone.goto(url)
        phone.get_by_role("button", name="Show the demo clutch").or_(phone.get_by_label("Passphrase")).wait_for()
    phone.get_by_text("This code was used before, or is too old: type the passphrase.").wait_for()
    plain = url.partition("#")[0]
    assert been == [url, plain, f"{plain}enter"]
    entries = phone.context.new_cdp_session(phone).send("Page.getNavigationHistory")["entries"]
    assert len(entries) > 1 and not any("#" in one["url"] for one in entries)


def test_a_page_elsewhere_gets_nothing_through_the_phones_browser(gated, browser):
    """On another port of the same address, which a browser takes for the same site but another origin, and on another site."""
    name, _, value = gated.cookie().partition("=")
    url = f"{gated.name}:{gated.port}"
    for elsewhere in (f"http://{gated.name}:1/", "http://elsewhere.example/"):
        phone = phone_of(browser)
        phone.context.add_cookies([{"name": name, "value": value, "url": f"http://{url}", "httpOnly": True, "sameSite": "Strict"}])
        phone.goto(f"http://{url}/")
        phone.get_by_role("button", name="Show the demo clutch").wait_for()  # it was let in
        phone.route(elsewhere, lambda route: route.fulfill(body="<title>elsewhere</title>", content_type="text/html"))
        phone.goto(elsewhere)
        opened = phone.evaluate(
            f"""() => new Promise(done => {{ const line = new WebSocket("ws://{url}/_stcore/stream", "streamlit");
            line.onopen = () => done("open"); line.onerror = () => done("refused"); }})"""
        )
        assert opened == "refused"
