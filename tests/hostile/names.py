"""Names that are markup, commands or signs of direction, through every field of the app in Chromium, one attempt a name."""

from __future__ import annotations

import io
import os
import random
import shutil
import socket
import subprocess
import sys
import time
import unicodedata
from collections.abc import Iterator
from pathlib import Path
from unittest.mock import patch
from urllib.parse import urlparse

import numpy as np
from PIL import Image

from tests.hostile.harness import Attempt

FULL = 110
#: ``¶`` is a word of the attempt's own, so that every name is another.
_SHAPES = (
    "![¶](http://names.example/¶.png)", "[¶](http://names.example/¶)", "![¶][x]", "[¶]: http://names.example/¶",
    "<http://names.example/¶>",
    "http://names.example/¶", "https://names.example/¶", "www.names.example/¶", "¶@names.example", "mailto:¶@names.example",
    "<img src=http://names.example/¶.png>", "<script>fetch('http://names.example/¶')</script>", "<svg onload=fetch('//names.example/¶')>",
    "<style>@import url(http://names.example/¶);*{display:none}</style>", "<iframe src=//names.example/¶></iframe>",
    "</div></li><h1>¶</h1>",
    "<link rel=stylesheet href=//names.example/¶>", "<base href=//names.example/>¶",
    "<meta http-equiv=refresh content='0;//names.example/¶'>",
    "<a href=javascript:alert(1)>¶</a>", "javascript:alert('¶')", "data:text/html,<b>¶</b>", "' onerror='fetch(1)' ¶", '" onload="x" ¶',
    "<!-- ¶ -->", "&lt;b&gt;¶&lt;/b&gt;", "&#33;[¶](x)", "&nbsp;¶&amp;", "<details open ontoggle=alert(1)>¶",
    "$\\frac{1}{2}$ ¶", "$$¶$$", "$¶$ and $x$", "\\(¶\\)", ":red[¶]", ":blue-background[¶]", ":violet-badge[¶]", ":small[¶]", ":rainbow[¶]",
    ":color[¶]{foreground=red}", ":shimmer[¶]", ":help[¶]", ":material/pets: ¶", ":material/¶:", ":smile: ¶", ":+1: ¶", ":streamlit: ¶",
    ":¶:",
    "-> ¶", "¶ <- x", "x <-> ¶", "x -- ¶", "¶ >= 1", "¶ <= 1", "x ~= ¶",
    "**¶**", "*¶*", "__¶__", "_¶_", "~~¶~~", "`¶`", "```¶", "# ¶", "## ¶", "> ¶", "- ¶", "+ ¶", "* ¶", "1. ¶", "1) ¶", "- [ ] ¶",
    "| ¶ | x |",
    "---¶", "===¶", "[^1] ¶", "[^¶]: x", "\\¶", "¶\\", "\\*¶\\*", "::: ¶", "    ¶ x",
    "\x1b[2J¶", "\x1b]0;¶\x07", "¶\x08\x08\x08", "¶\x00x", "\x9b31m¶", "¶\tx", "¶\x7f", "¶\rx", "¶\nx", "¶\u2028x", "¶\x85x",
    "\u202e¶ x", "¶\u202dx", "\u2067¶\u2069", "\u200f¶", "¶\u200bx", "\ufeff¶", "¶\u2060x", "¶\u00adx", "¶\U000e0041x", "¶\ud800x",
    "¶\ufffd\ufffe",
    "=1+1+¶", "+¶", "-¶+1", "@SUM(¶)", "=HYPERLINK(\"http://names.example/¶\")", "%s%d%n¶", "%(¶)s", "{¶.__class__}", "{{¶}}", "${¶}",
    "$(¶)",
    "{{constructor.constructor('return 1')()}}¶", "!!python/object/apply:os.system [¶]", "*¶", "&¶ x", "¶: [", "{¶: 1", "'¶", '"¶',
    "¶'); --",
    "../../../¶", "/etc/¶", "C:\\¶", "file:///etc/¶", "¶/..", "¶.jpg.exe", "~/¶", "¶?x=1#y", "%2e%2e%2f¶", "--¶", "-¶", "¶;¶", "¶,¶",
    "¶|¶", "¶\u0301\u0301\u0301",
    "名前 ¶", "اسم ¶", "🐍 ¶", "Ａ＠ ¶", "ﷺ ¶", "null ¶", "¶ 5 %",
)  # fmt: skip
_WAIT_MS, _START_S, _EACH = 30_000, 60, 20


def attempts(n: int, seed: int, folder: Path) -> Iterator[Attempt]:
    """Each name in the fields of a sheet, an animal, a trait, a sale and a gene, and read again on every page."""
    from playwright.sync_api import sync_playwright

    names = list(_names(n, seed))
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"])
        for start in range(0, n, _EACH):  # the records of one server stay small
            with _Server(folder / str(start)) as server:
                for number, name in enumerate(names[start : start + _EACH], start):
                    yield _Round(browser, server, number, name).tried()
        browser.close()


def _names(n: int, seed: int) -> Iterator[str]:
    draw = random.Random(seed)
    shapes = list(_SHAPES)
    draw.shuffle(shapes)
    yield "n0" + "x" * 4990
    for number in range(1, n):
        word = f"n{number}"
        shape = shapes[number % len(shapes)] if number <= len(shapes) else draw.choice(shapes) + draw.choice(shapes)
        yield shape.replace("¶", word)


class _Server:
    def __init__(self, folder: Path) -> None:
        self.data = folder / "data"
        folder.mkdir(parents=True)
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self._log = (folder / "log.txt").open("w")
        self.watched = folder / "watched.txt"
        root = Path(__file__).parents[2]
        env = {"TRIAGE_DATA": str(self.data), "WATCHED": str(self.watched), "PYTHONPATH": f"{Path(__file__).parent / 'watch'}:{root}"}
        words = [sys.executable, "-m", "triage.cli.main", "app", "--port", str(self.port), "--no-browser"]
        self._process = subprocess.Popen(words, env={**os.environ, **env}, stdout=self._log, stderr=self._log)

    def __enter__(self) -> _Server:
        end = time.monotonic() + _START_S
        while socket.socket().connect_ex(("127.0.0.1", self.port)):
            assert time.monotonic() < end and self._process.poll() is None, "the app did not start"
            time.sleep(0.1)
        return self

    def __exit__(self, *_) -> None:
        self._process.terminate()
        self._process.wait(20)
        self._log.close()

    def peak_mb(self) -> int:
        status = Path(f"/proc/{self._process.pid}/status").read_text()
        return int(status.split("VmHWM:")[1].split()[0]) // 1024


class _Fault(Exception):
    pass


class _Round:
    """One name through the app. What a field refuses with a notice is refused; all else must be shown and kept as it is."""

    def __init__(self, browser, server: _Server, number: int, name: str) -> None:
        self.server, self.number, self.name = server, number, name
        self.faults: list[str] = []
        self.refused = 0
        self.page = browser.new_page(viewport={"width": 1280, "height": 1400})
        self.page.set_default_timeout(_WAIT_MS)
        self.page.on("request", self._asked)
        self.page.on("pageerror", lambda error: self.faults.append(f"page error: {error}"))
        self.page.on("console", lambda said: self.faults.append(f"console: {said.text}") if said.type == "error" else None)
        self.page.on("dialog", lambda dialog: self.faults.append("a dialog"))

    def tried(self) -> Attempt:
        from playwright.sync_api import Error

        start = time.perf_counter()
        for step in (self.sheet, self.held, self.animal, self.gene):
            try:
                step()
            except (_Fault, Error) as fault:
                self.faults.append(f"{step.__name__}: {' '.join(str(fault).split())[:300]}")
            if self.page.locator("[data-testid=stException]").count():
                self.faults.append(f"{step.__name__}: a traceback")
        self.page.close()
        if self.server.watched.exists():
            self.faults.append(f"the app itself called {self.server.watched.read_text().splitlines()[0]}")
            self.server.watched.unlink()
        outcome = "shown where it was taken" if self.refused else "shown"
        return Attempt(ascii(self.name[:60]), outcome, "; ".join(self.faults), self.server.peak_mb(), time.perf_counter() - start)

    def sheet(self) -> None:
        page, name = self.page, self.name
        self.open("Sort a clutch")
        self.fill("dam_genes", name)
        self.settle()
        self.fill("dam_genes", "super pastel")
        self.fill("clutch_name", name)
        self.fill("dam_name", name)
        self.fill("sire_name_1", "by " + name)
        self.settle()
        picture = {"name": name[:200] + ".jpg", "mimeType": "image/jpeg", "buffer": _picture(self.number)}
        page.locator("input[type=file]").set_input_files([picture])
        page.locator("[class*=st-key-egg_label_] input").wait_for()
        self.fill("egg_label_", name)
        self.fill("egg_call_", name)
        self.settle()
        self.fill("egg_call_", "pastel")
        self.settle()
        self.expect("[class*=st-key-remove_egg_] button p", f"Remove {_seen(name.strip())}")
        page.locator(".st-key-sort button").click()
        if not self.answered(".tr-counts"):
            return
        self.settle()
        self.expect(".tr-parents dd", _seen(name))
        self.expect(".tr-who strong", _seen(name))
        self.expect("[class*=st-key-hold-] button p", f"Hold {_seen(name)} back")
        self.expect(".tr-photos img", f"Photo of hatchling {_seen(name)}", read="alt")
        page.locator("[class*=st-key-hold-] button").first.click()
        page.get_by_role("button", name="Undo the hold-back of").first.wait_for()
        page.get_by_role("button", name="Keep this clutch").click()
        if self.answered("[data-testid=stAlertContentSuccess]"):
            self.kept("clutch", "name", _typed(name))
            self.kept("animal", "name", _typed(name))
            self.kept("animal", "name", _typed("by " + name))
            self.kept("egg", "label", _typed(name))

    def held(self) -> None:
        self.open("Held back")
        if not self.refused:
            self.expect("[data-testid=stMarkdownContainer] strong", _seen(self.name))

    def animal(self) -> None:
        page, name = self.page, self.name
        self.open("Collection")
        page.locator(".st-key-collection-animal-form summary").first.click()
        self.fill("animal-name", "the " + name)
        self.fill("animal-origin", name)
        self.settle()
        page.locator(".st-key-animal-enter button").click()
        page.wait_for_function("document.querySelector('.st-key-animal-name input').value === ''")
        self.kept("animal", "name", _typed("the " + name))
        self.kept("animal", "origin", _typed(name))
        self.settle()
        self.choose("the " + _seen(name))
        page.locator(".st-key-collection-traits summary").first.click()
        self.fill("trait-words", name)
        page.locator(".st-key-trait-keep button").click()
        page.get_by_text("Traits that are no known gene (1)").wait_for()
        self.kept("trait", "words", _typed(name))
        self.expect(".st-key-collection-traits p", _seen(name), whole=False)
        self.choose(f"{_seen(name)}/{_seen(name)}")
        page.locator(".st-key-collection-label summary").first.click()
        self.expect(".st-key-collection-label code", _seen(name), whole=False)
        self.fill("collection-buyer", name)
        page.get_by_role("button", name="Mark as sold").click()
        page.locator(".st-key-collection-buyer").wait_for(state="detached")
        self.kept("animal", "buyer", _typed(name))
        page.locator(".st-key-collection-history summary").first.click()
        self.expect(".st-key-collection-history p", _seen(name), whole=False)

    def gene(self) -> None:
        page, name = self.page, self.name
        self.open("Genes")
        self.fill("book_name", name)
        self.settle()
        self.fill("book_name", "")
        self.settle()
        page.locator(".st-key-own-genes summary").first.click()
        self.fill("own-name-new", name)
        self.fill("own-two_copies-new", f"look {name}")
        self.fill("own-note-new", name)
        page.locator(".st-key-own-keep-new button").click()
        if self.answered("[data-testid=stAlertContentSuccess]"):
            self.kept("gene", "note", _typed(name))
            self.expect("[data-testid=stAlertContentSuccess] p", _seen(name), whole=False)
            page.locator(".st-key-own-undo button").click()  # the next name's clutch is sorted without it
            page.locator(".st-key-own-undo").wait_for(state="detached")

    def open(self, where: str) -> None:
        if self.page.url == "about:blank":
            self.page.goto(f"http://localhost:{self.server.port}")
        else:
            self.page.get_by_role("link", name=where, exact=True).click()
        self.page.get_by_role("heading", name=where, exact=True).wait_for()
        self.settle()

    def fill(self, key: str, text: str) -> None:
        field = self.page.locator(f"[class*='st-key-{key}'] input").first
        field.fill(text)
        field.blur()

    def choose(self, title: str) -> None:
        """An animal of the collection."""
        end = time.monotonic() + _WAIT_MS / 1000
        wanted, found = _plain(title), []
        while wanted not in found:  # a page that is drawn anew closes the list
            if time.monotonic() > end:
                raise _Fault(f"{wanted[:80]!r} is not among {found[:3]}")
            self.page.locator(".st-key-collection-animal input").fill(f"n{self.number}")
            self.page.wait_for_timeout(300)
            found = [_plain(one) for one in self.page.locator("[role=option]").all_text_contents()]
        self.page.locator("[role=option]").nth(found.index(wanted)).click()
        self.settle()

    def settle(self) -> None:
        """Until the page has run and stands still."""
        self.page.wait_for_timeout(250)
        self.page.locator("[data-testid=stApp][data-test-script-state=notRunning]").wait_for(state="attached")

    def answered(self, selector: str) -> bool:
        """Whether what was asked for came, and not a notice that refuses it."""
        refusal = "[data-testid=stMain] [data-testid=stAlertContentError]"
        self.page.locator(f"{selector}, {refusal}").first.wait_for()
        if self.page.locator(selector).count():
            return True
        self.refused += 1
        return False

    def expect(self, selector: str, text: str, *, whole: bool = True, read: str = "textContent") -> None:
        """Wait for the text among elements."""
        wanted, end, found = _plain(text), time.monotonic() + _WAIT_MS / 1000, []
        while time.monotonic() < end:
            found = [_plain(one) for one in self.page.locator(selector).evaluate_all(f"all => all.map(one => one.{read})")]
            if any(one == wanted or one.startswith(wanted + " (") if whole else wanted in one for one in found):
                return
            self.page.wait_for_timeout(100)
        raise _Fault(f"{text[:80]!r} is not among {[one[:80] for one in found[:3]]}")

    def kept(self, kind: str, field: str, text: str) -> None:
        from triage.workflow.book import open_archive

        with patch.dict(os.environ, TRIAGE_DATA=str(self.server.data)):
            entries = open_archive().all(kind)
        if not any(getattr(entry.content, field) == text for entry in entries):
            raise _Fault(f"{kind} {field} {text[:80]!r} is not in the records")

    def _asked(self, request) -> None:
        url = urlparse(request.url)
        if url.scheme not in ("data", "blob") and url.netloc != f"localhost:{self.server.port}":
            self.faults.append(f"asked for {request.url[:120]}")


def _picture(number: int) -> bytes:
    file = io.BytesIO()
    Image.fromarray(np.random.default_rng(number).integers(0, 256, (240, 240, 3), np.uint8)).save(file, "JPEG")
    return file.getvalue()


def _typed(text: str) -> str:
    """What reaches the program of a text: typed into a field of one line, a break is a space; a browser sends no half of a pair."""
    text = text.replace("\r", " ").replace("\n", " ")
    return "".join("\ufffd" if unicodedata.category(sign) == "Cs" else sign for sign in text).strip()


def _seen(text: str) -> str:
    """What must be seen of it: said here once more, not taken from the program."""
    found = ""
    for sign in _typed(text):
        hidden = unicodedata.category(sign) in ("Cc", "Cf", "Zl", "Zp")
        found += (f"\\x{ord(sign):02x}" if ord(sign) < 256 else f"<U+{ord(sign):04X}>") if hidden else sign
    return found


def _plain(text: str) -> str:
    """Text as it is read: without the joiner that the page puts between signs, spaces as one."""
    return " ".join(text.replace("\u2060", "").split())
