"""The shape of the house: import contracts hold, the API's description is current, every endpoint says who may."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from rimekeep.main import create_app, endpoints, roles_of
from rimekeep.platform.settings import load_settings

ROOT = Path(__file__).parents[2]
OPEN_TO_ALL = {"/healthz", "/readyz"}


@pytest.fixture(scope="module")
def app():
    application = create_app(load_settings(database_url="sqlite:///unused.sqlite3"))
    yield application
    application.state.database.dispose()


def test_import_contracts_hold() -> None:
    run = subprocess.run(
        [str(Path(sys.executable).parent / "lint-imports"), "--no-cache"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stdout


def test_openapi_document_is_current(app) -> None:
    """Run `make openapi` after a change of the API and read the difference."""
    kept = json.loads((ROOT / "openapi" / "rimekeep.json").read_text(encoding="utf-8"))
    assert kept == json.loads(json.dumps(app.openapi()))


def test_every_endpoint_declares_the_roles_it_admits(app) -> None:
    declared = {route.path: roles_of(route) for route in endpoints()}
    assert [path for path, roles in declared.items() if not roles] == []
    listed = app.openapi()["paths"]
    assert set(listed) == set(declared) | OPEN_TO_ALL
    assert all("x-roles" in operation for path in declared for operation in listed[path].values())


def test_every_operation_is_described(app) -> None:
    for path, operations in app.openapi()["paths"].items():
        for method, operation in operations.items():
            assert operation.get("description") or operation.get("summary"), f"{method} {path}"


def test_no_module_has_grown_out_of_hand() -> None:
    """Small modules: one that passes 400 lines tells more than one story."""
    migrations = ROOT / "service" / "rimekeep" / "platform" / "migrations"
    lengths = {
        str(path.relative_to(ROOT)): len(path.read_text(encoding="utf-8").splitlines())
        for path in (ROOT / "service").rglob("*.py")
        if migrations not in path.parents
    }
    assert {path: length for path, length in lengths.items() if length > 400} == {}


def test_the_demo_files_are_what_the_seeded_script_makes(tmp_path: Path) -> None:
    subprocess.run(
        [sys.executable, str(ROOT / "fixtures" / "demo" / "generate.py"), str(tmp_path)], check=True
    )
    made = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    kept = {name: (ROOT / "fixtures" / "demo" / name).read_bytes() for name in made}
    assert kept == made
    assert len(made) >= 13
