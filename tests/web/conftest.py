"""A browser for the whole run of a process, and the told demo behind a real server."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from builders.browser import running_browser
from builders.demo import Demo, told_demo
from builders.server import Process, serving


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Chromium, started once per test process."""
    with running_browser() as running:
        yield running


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Demo:
    """The invented demo, told once per run."""
    base = tmp_path_factory.getbasetemp()
    shared = (base if worker_id == "master" else base.parent) / "told-demo"
    shared.mkdir(exist_ok=True)
    return told_demo(shared)


@pytest.fixture
def demo_server(demo: Demo, tmp_path: Path) -> Iterator[Process]:
    """A server of the test's own on a copy of the demo."""
    with serving(demo.copied_to(tmp_path), tmp_path, warm=True) as server:
        yield server


@pytest.fixture(scope="module")
def shown_server(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Process]:
    """A server on a copy of the demo that the module's tests only look at."""
    folder = tmp_path_factory.mktemp("shown")
    with serving(demo.copied_to(folder), folder, warm=True) as server:
        yield server


@pytest.fixture
def empty_server(sqlite_template: Path, tmp_path: Path) -> Iterator[Process]:
    """A server on an empty database: a site and its first admin, whose token it has; nothing else."""
    file = tmp_path / "rimekeep.sqlite3"
    shutil.copy(sqlite_template, file)
    with serving(f"sqlite:///{file}", tmp_path, warm=True) as server:
        yield server
