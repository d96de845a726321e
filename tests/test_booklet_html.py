"""The HTML edition: complete, self-contained, and without faults in a real browser (axe-core in Chromium)."""

from __future__ import annotations

import html
import importlib.util
import json
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from steps.booklet import write_html
from steps.booklet.compose import compose
from steps.booklet.words import words_in
from steps.settings import Settings
from tests.booklet_sample import PlainPictures, sample_plan

VOID = {"meta", "br", "hr", "input", "image", "use", "path", "circle", "rect", "polygon", "polyline", "link"}
BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)


class Reader(HTMLParser):
    """Gathers tags; fails on a closing tag that does not match."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "script"):
            self.words.append(data)


def written(path: Path, **options: object) -> str:
    write_html(sample_plan(), path, Settings(**options), pictures=PlainPictures())
    return path.read_text(encoding="utf-8")


def read(text: str) -> Reader:
    reader = Reader()
    reader.feed(text)
    reader.close()
    assert not reader.open
    return reader


@pytest.mark.parametrize("reader", ["child", "helper", "adult"])
@pytest.mark.parametrize("language", ["en", "de"])
def test_all_sheets_are_there_in_the_booklets_language(tmp_path, reader, language):
    page = read(written(tmp_path / "b.html", reader=reader, language=language))
    booklet = compose(sample_plan(), Settings(reader=reader, language=language), words_in(language))
    sections = [attrs for tag, attrs in page.tags if tag == "section"]
    assert len(sections) == len(booklet.sheets)
    said = " ".join(page.words)
    for sheet in booklet.sheets:
        assert (sheet.bookmark or sheet.title) in said
    assert ("html", {"lang": language}) in page.tags
    assert ("Nächstes Blatt" if language == "de" else "Next sheet") in said


def test_every_picture_has_words_and_every_link_a_target(tmp_path):
    page = read(written(tmp_path / "b.html"))
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    for tag, attrs in page.tags:
        if tag == "svg":
            assert attrs.get("aria-label") or attrs.get("aria-hidden") == "true"
        if tag in ("a", "use"):
            assert attrs["href"].removeprefix("#") in ids
    pictures = [attrs for tag, attrs in page.tags if tag == "svg" and attrs.get("role") == "img"]
    asked = PlainPictures()
    write_html(sample_plan(), tmp_path / "c.html", Settings(), pictures=asked)
    shown = [wish for wish in asked.asked if wish.kind != "turn" or wish.step == 4]
    assert len(pictures) >= len([wish for wish in shown if wish.step or wish.shape or wish.assembly])


def test_the_file_needs_nothing_else(tmp_path):
    page = read(written(tmp_path / "b.html"))
    for tag, attrs in page.tags:
        for name in ("src", "href", "xlink:href", "action"):
            value = attrs.get(name)
            assert value is None or value.startswith(("#", "data:")), (tag, value)
    assert "url(http" not in (tmp_path / "b.html").read_text()
    assert not any(tag in ("script", "iframe", "link") for tag, _ in page.tags)


def test_same_input_same_bytes(tmp_path):
    assert written(tmp_path / "a.html") == written(tmp_path / "b.html")


@pytest.mark.parametrize("name", ["<script>alert(1)</script>", 'a & b \x00 "c"', "💡 שלום", "x" * 300])
def test_names_cannot_break_the_page(tmp_path, name):
    plan = replace(sample_plan(), model=replace(sample_plan().model, name=name))
    write_html(plan, tmp_path / "b.html", Settings(), pictures=PlainPictures())
    page = read((tmp_path / "b.html").read_text(encoding="utf-8"))
    assert not any(tag == "script" for tag, _ in page.tags)
    assert name.replace("\x00", "") in "".join(page.words)


def axe_source() -> str | None:
    """axe-core as a Python package ships it."""
    found = importlib.util.find_spec("axe_selenium_python")
    if found is None or found.origin is None:
        return None
    scripts = sorted(Path(found.origin).parent.rglob("axe.min.js"))
    return scripts[0].read_text(encoding="utf-8") if scripts else None


def in_browser(page: Path, text: str, script: str, width: int) -> dict:
    """Runs ``script``, which calls ``done(value)``, in the page; what it gave. The page's own text stays."""
    done = "function done(value){document.title='@@'+JSON.stringify(value)+'@@'}"
    wrapped = f"<script>{done}\n{script}</script></body>"
    page.write_text(text.replace("</body>", wrapped), encoding="utf-8")
    command = [BROWSER, "--headless=new", "--no-sandbox", "--disable-gpu", f"--window-size={width},900"]
    command += ["--virtual-time-budget=60000", "--dump-dom", page.as_uri()]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=180, check=False)
    answer = re.search(r"@@(.*?)@@</title>", ran.stdout, re.S)
    assert answer, ran.stderr[-500:]
    return json.loads(html.unescape(answer[1]))


@pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine")
@pytest.mark.skipif(axe_source() is None, reason="axe-core is not installed")
@pytest.mark.parametrize(("reader", "mono"), [("child", False), ("helper", False), ("adult", True)])
def test_axe_finds_no_fault_in_a_real_browser(tmp_path, reader, mono):
    text = written(tmp_path / "b.html", reader=reader, mono=mono)
    axe = (axe_source() or "").replace("</script", "<\\/script")
    run = "axe.run(document).then(r => done({faults: r.violations.map(v => v.id), passes: r.passes.length}))"
    found = in_browser(tmp_path / "t.html", text, f"{axe}\n{run}", 1200)
    assert found["faults"] == []
    assert found["passes"] > 20


@pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine")
@pytest.mark.parametrize("width", [500, 820, 1280])
def test_nothing_is_wider_than_the_screen(tmp_path, width):
    """500 px is the narrowest window that headless Chromium opens; the page has one column there."""
    plan = replace(sample_plan(), model=replace(sample_plan().model, name="x" * 300))
    write_html(plan, tmp_path / "b.html", Settings(reader="child"), pictures=PlainPictures())
    text = (tmp_path / "b.html").read_text(encoding="utf-8")
    script = "done({page: document.documentElement.scrollWidth, window: innerWidth})"
    found = in_browser(tmp_path / "t.html", text, script, width)
    assert found["page"] <= found["window"]
