"""A desk served for real on a free port, and a browser's part played by hand."""

from __future__ import annotations

import http.client
import json
import os
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from desk.review.desk import Desk
from desk.review.items import of_records, of_result
from desk.review.server import Served
from inspection.document import as_text, document, write_text
from inspection.picture import measure_file
from inspection.settings import Settings
from records.store import Store, open_store

CHROMIUM = Path("/usr/bin/chromium")
SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
MM_PER_PX = {"tee": 0.028, "butt": 0.027, "double_tee": 0.028}


@dataclass
class Client:
    """Speaks HTTP to a desk as its page does, or as it should not."""

    port: int
    cookie: str | None = None
    headers: dict[str, str] = field(default_factory=dict)

    def ask(
        self, method: str, path: str, body: bytes | None = None, **headers: str | None
    ) -> tuple[int, dict[str, str], bytes]:
        """Send one request; a header given as None is left out."""
        own: dict[str, str | None] = {"Host": f"127.0.0.1:{self.port}"}
        if self.cookie is not None:
            own["Cookie"] = self.cookie
        if method == "POST":
            own |= {"Origin": f"http://127.0.0.1:{self.port}", "Content-Type": "application/json"}
        own |= {name.replace("_", "-"): value for name, value in headers.items()}
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        try:
            connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            names = {name.lower() for name in own}
            if body is not None and "content-length" not in names and "transfer-encoding" not in names:
                own["Content-Length"] = str(len(body))
            for name, value in own.items():
                if value is not None:
                    connection.putheader(name, value)
            connection.endheaders()
            if body is not None:
                connection.send(body)
            answer = connection.getresponse()
            return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
        finally:
            connection.close()

    def enter(self, address: str) -> None:
        """Exchange the token for the cookie."""
        status, headers, _ = self.ask("GET", address[address.index("/?") :])
        assert status == 303
        self.cookie = headers["set-cookie"].partition(";")[0]

    def get(self, path: str) -> Any:
        status, _, body = self.ask("GET", path)
        assert status == 200, body
        return json.loads(body)

    def post(self, path: str, content: Any, status: int = 200) -> Any:
        found, _, body = self.ask("POST", path, json.dumps(content).encode())
        assert found == status, body
        return json.loads(body)


@dataclass
class Sitting:
    """One desk that is served, its store and its address."""

    desk: Desk
    store: Store
    served: Served
    thread: threading.Thread

    @property
    def address(self) -> str:
        return self.served.address

    @property
    def port(self) -> int:
        return self.served.port

    def client(self) -> Client:
        client = Client(self.port)
        client.enter(self.address)
        return client

    def close(self) -> None:
        self.served.close()
        self.thread.join(10)
        self.desk.close()
        assert not self.thread.is_alive()


def sit_down(store: Store, result: Path | None, operator: str | None = None) -> Sitting:
    """Serve a desk in a thread and wait until it answers."""
    items = of_records(store) if result is None else of_result(result, store)
    desk = Desk(items, store, operator=operator)
    served = Served(desk)
    thread = threading.Thread(target=served.run, daemon=True)
    thread.start()
    for _ in range(200):
        if served.ready:
            break
        time.sleep(0.02)
    return Sitting(desk, store, served, thread)


@pytest.fixture(scope="session")
def result_of_samples() -> dict[str, Any]:
    """The result document of a tee, a butt weld and a tee welded on both sides, files named beside it."""
    entries = [measure_file(SAMPLES / f"{name}.jpg", Settings(scale_mm_per_px=MM_PER_PX[name])) for name in MM_PER_PX]
    for entry in entries:
        entry["source"]["path"] = Path(entry["source"]["path"]).name
    return document(entries)


def lay_out(folder: Path, result: dict[str, Any]) -> Path:
    folder.mkdir()
    for name in MM_PER_PX:
        (folder / f"{name}.jpg").write_bytes((SAMPLES / f"{name}.jpg").read_bytes())
    write_text(folder / "result.json", as_text(result))
    return folder


@pytest.fixture
def measured(tmp_path: Path, result_of_samples: dict[str, Any]) -> Path:
    """A folder with result.json and its pictures."""
    return lay_out(tmp_path / "measured", result_of_samples)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "records.db") as opened:
        yield opened


@pytest.fixture
def sit(store: Store) -> Iterator[Callable[..., Sitting]]:
    """Serves a desk over a result, or over the records without one; closes what it served."""
    served: list[Sitting] = []

    def sitting(result: Path | None, operator: str | None = None) -> Sitting:
        served.append(sit_down(store, result, operator))
        return served[-1]

    yield sitting
    for sat in served:
        sat.close()


@pytest.fixture
def sitting(sit: Callable[..., Sitting], measured: Path) -> Sitting:
    return sit(measured)


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory, result_of_samples: dict[str, Any]) -> Iterator[Client]:
    """The page of a desk that tests share because they leave it as it was."""
    folder = tmp_path_factory.mktemp("shared")
    with open_store(folder / "records.db") as store:
        sat = sit_down(store, lay_out(folder / "measured", result_of_samples))
        yield sat.client()
        assert store.records() == []
        sat.close()


@pytest.fixture(scope="module")
def browser():
    if not CHROMIUM.exists():
        if os.environ.get("CI") == "true":
            pytest.fail("the Debian package chromium is not installed")
        pytest.skip("needs Debian's chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture
def page(at_desk, sitting):
    """The page of a desk of its own."""
    opened = at_desk(sitting.port, sitting.address)
    yield opened
    opened.context.close()


@pytest.fixture
def look(at_desk, shared):
    """The page of a desk that is shared: nothing is decided there."""
    name, _, value = shared.cookie.partition("=")
    address = f"http://127.0.0.1:{shared.port}/"
    opened = at_desk(shared.port, address, cookies=[{"name": name, "value": value, "url": address}])
    yield opened
    opened.context.close()


@pytest.fixture
def at_desk(browser):
    """Opens desks in a fresh browser, each with its port and address."""
    return partial(open_page, browser)


def open_page(browser, port, address, *, size=(1280, 800), cookies=(), **settings):
    """Open the desk in a fresh browser; anything that goes wrong in it, or leaves the machine, is kept as a trouble."""
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, **settings)
    context.add_cookies(list(cookies))
    page = context.new_page()
    page.set_default_timeout(15_000)
    page.troubles = []
    page.on("pageerror", lambda error: page.troubles.append(str(error)))
    page.on("console", lambda message: message.type in ("error", "warning") and page.troubles.append(message.text))
    page.on("request", lambda request: is_own(request.url, port) or page.troubles.append(request.url))
    page.goto(address)
    page.wait_for_selector("tr[data-quantity]")
    return page


def is_own(url: str, port: int) -> bool:
    return url.startswith((f"http://127.0.0.1:{port}/", f"blob:http://127.0.0.1:{port}/"))
