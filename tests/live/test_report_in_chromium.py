"""A real browser opens the report, prints it, and asks the network for nothing.

The browser gets the page through a proxy on loopback, so that nothing leaves this machine. What the page asked for is
read from the browser's own log of its network: there a request names the origin that began it, which tells the
page's requests from those that browsers make for themselves.
"""

from __future__ import annotations

import importlib.util
import json
import shutil
import subprocess
import sys
import threading
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Self

import pytest

from harness.report.compare_html import render_compare_html
from harness.report.html import render_html
from tests.unit.report.test_compare import ALL

SAMPLE = Path(__file__).parents[1] / "unit" / "report" / "conftest.py"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
PAGE = "http://report.invalid/report.html"

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed (Debian: apt install chromium)")


class Proxy:
    """Serves one page for ``PAGE``, and 404 or 403 for everything else."""

    def __init__(self, page: str) -> None:
        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                body = page.encode() if self.path == PAGE else b""
                self.send_response(200 if body else 404)
                self.send_header("Content-Type", "text/html; charset=utf-8")
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def do_CONNECT(self) -> None:
                self.send_error(403)

            def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base class names it
                """Quiet."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.thread = threading.Thread(target=self.server.serve_forever, name="proxy")

    def __enter__(self) -> Self:
        self.thread.start()
        return self

    def __exit__(self, *exc: object) -> None:
        self.server.shutdown()
        self.thread.join()
        self.server.server_close()


@pytest.fixture(scope="module")
def page() -> str:
    spec = importlib.util.spec_from_file_location("report_sample", SAMPLE)
    assert spec is not None
    assert spec.loader is not None
    sample = importlib.util.module_from_spec(spec)
    sys.modules["report_sample"] = sample
    spec.loader.exec_module(sample)
    document = sample.build_document()
    return render_html(replace(document, repeated=sample.build_repeated(document.site)))


def browse(page: str, folder: Path, *what: str) -> list[str]:
    """Open the page; return every address that it asked for besides its own."""
    assert CHROMIUM is not None
    log = folder / "network.json"
    with Proxy(page) as proxy:
        subprocess.run(  # noqa: S603 - a browser that was found on the path, fixed flags
            [
                CHROMIUM,
                *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
                *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
                f"--user-data-dir={folder / 'profile'}",
                f"--proxy-server=127.0.0.1:{proxy.server.server_port}",
                f"--log-net-log={log}",
                "--hide-scrollbars",
                *what,
                PAGE,
            ],
            check=True,
            capture_output=True,
            timeout=90,
        )
    whole = json.loads(log.read_text(encoding="utf-8"))
    started = [event.get("params", {}) for event in whole["events"]]
    asked = [(one["initiator"], one["url"]) for one in started if "initiator" in one and "url" in one]
    assert ("not an origin", PAGE) in asked, "the log of the browser does not show the page itself"
    return [url for initiator, url in asked if initiator != "not an origin" and url != PAGE]


def text_of(pdf: Path) -> str:
    """The text as it stands on the sheets, a form feed behind each; skips where nothing reads it back."""
    pdftotext = shutil.which("pdftotext")
    if pdftotext is None:
        pytest.skip("the PDF was made; pdftotext (Debian: poppler-utils) is not installed to read it back")
    return subprocess.run(  # noqa: S603 - a converter that was found on the path
        [pdftotext, "-layout", str(pdf), "-"], check=True, capture_output=True, text=True
    ).stdout


def test_it_prints_to_pdf_and_asks_for_nothing_but_itself(page: str, tmp_path: Path) -> None:
    pdf = tmp_path / "report.pdf"
    assert browse(page, tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={pdf}") == []
    assert pdf.read_bytes().startswith(b"%PDF-")
    text = text_of(pdf)
    pages = text.split("\f")
    assert "Sensing element not tested." in pages[0]
    assert "Summary" in pages[0]
    assert f"page 1 of {len(pages) - 1}" in pages[0]
    assert "Log book: simulated alarms" in text
    (measured,) = [one for one in pages if "Alarms that clear by themselves" in one]
    for said in ("Alarm and output", "7 of 7"):
        assert said in measured, "a heading stands on the page of what it is the head of"
    (drawn,) = [one for one in pages if "holds the whole distribution" in one]
    assert "Distributions" in drawn
    assert "latency of at most" in drawn, "the key of the pictures stands beside the first of them"
    log_book = [one for one in pages if one.split()[:3] == ["No.", "Alarm", "Raised"]]
    assert log_book, "the head of the log book is not repeated on its second page"


def test_a_comparison_prints_and_asks_for_nothing(tmp_path: Path) -> None:
    pdf = tmp_path / "compared.pdf"
    assert browse(render_compare_html(ALL), tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={pdf}") == []
    text = text_of(pdf)
    pages = text.split("\f")
    assert "What is worse, or no longer proven" in pages[0]
    assert "FAIL regressed tank-1.high at bms:10001" in " ".join(pages[0].split())
    (rows,) = [one for one in pages if "All rows" in one]
    assert "Misses and fails" in rows, "the last column of the table is on the sheet"
    assert sum(one.count("too few trials (3 against 3)") for one in pages) == 2, "of its times, and of its misses"
    filled = [sum(bool(line.strip()) for line in one.splitlines()) for one in pages[:-2]]
    assert min(filled) > 20, "no sheet but the last is left empty"


def test_a_request_of_the_page_would_be_seen(page: str, tmp_path: Path) -> None:
    """The check above can fail: without the page's own policy, a picture from elsewhere is asked for, and noticed."""
    leaky = page.replace("<body>", '<body><img src="http://elsewhere.invalid/x.png">', 1)
    refused = browse(leaky, tmp_path, f"--screenshot={tmp_path / 'one.png'}")
    assert refused == [], "the page's content security policy lets a picture through"
    unguarded = leaky.replace('http-equiv="Content-Security-Policy"', 'name="nothing"', 1)
    (tmp_path / "again").mkdir()
    seen = browse(unguarded, tmp_path / "again", f"--screenshot={tmp_path / 'two.png'}")
    assert set(seen) == {"http://elsewhere.invalid/x.png"}
