from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx2
import pytest
import uvicorn
from fastapi.testclient import TestClient
from playwright.sync_api import Browser
from tests.report.benches import measured
from tests.web.browser import Watched, chromium

from glassay.web import create_app
from glassay.web.listening import config_of, listen
from glassay.web.phone.serve import PhonePage

TOKEN = "an-entry-for-tests"
SCRIPT_KEY = "a-key-for-scripts"
HOST = "127.0.0.1:8451"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as started:
        yield started


@pytest.fixture(autouse=True)
def _pages_are_closed(running: Running) -> Iterator[None]:
    """Before the servers that they talk to are stopped."""
    yield
    Watched.close_all()


@pytest.fixture(scope="session")
def measured_bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bench")
    measured(folder)
    return folder


@pytest.fixture
def folder(measured_bench: Path, tmp_path: Path) -> Path:
    """A measured bench of its own for each test."""
    import shutil

    return Path(shutil.copytree(measured_bench, tmp_path / "bench", copy_function=shutil.copy2))


def client_of(folder: Path) -> TestClient:
    """A client that stands at the workbench's own pages."""
    client = TestClient(create_app(folder, TOKEN, SCRIPT_KEY), base_url=f"http://{HOST}")
    client.headers["origin"] = f"http://{HOST}"
    assert client.get("/static/mark.svg", params={"token": TOKEN}).status_code == 200
    return client


@pytest.fixture
def client(folder: Path) -> Iterator[TestClient]:
    with client_of(folder) as client:
        yield client


@dataclass
class Served:
    """A workbench that runs, and its folder."""

    address: str
    folder: Path

    @property
    def entry(self) -> str:
        return f"{self.address}/?token={TOKEN}"


class Running:
    """Workbenches that run in threads."""

    def __init__(self) -> None:
        self._servers: list[tuple[uvicorn.Server, threading.Thread]] = []

    def start(self, folder: Path, port: int = 0, phone: PhonePage | None = None) -> Served:
        listener = listen("127.0.0.1", (port,))
        app = create_app(folder, TOKEN, SCRIPT_KEY)
        app.state.phone = phone
        server = uvicorn.Server(config_of(app))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
        thread.start()
        self._servers.append((server, thread))
        address = f"http://127.0.0.1:{listener.getsockname()[1]}"
        for _ in range(100):
            try:
                httpx2.get(address)
                break
            except httpx2.TransportError:
                time.sleep(0.05)
        return Served(address, folder)

    def stop_all(self) -> None:
        for server, thread in self._servers:
            server.should_exit = True
            thread.join(60)
        self._servers = []


@pytest.fixture
def running() -> Iterator[Running]:
    found = Running()
    yield found
    found.stop_all()


@pytest.fixture
def serve(running: Running) -> Callable[..., Served]:
    """Run workbenches in threads, each on a free port unless one is given."""
    return running.start
