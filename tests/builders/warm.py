"""
Commands of the service as processes of their own, forked from one that has imported everything already.

Importing takes a process longer than most commands take to run. What is forked gets its arguments, environment,
output files and exit code as if it had been started by its script.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Mapping
from functools import cache
from multiprocessing import get_context
from multiprocessing.context import ForkServerContext
from pathlib import Path
from tempfile import TemporaryDirectory

PRELOADED = [
    "rimekeep.cli.check",
    "rimekeep.cli.imports",
    "rimekeep.imports.usecases",
    "rimekeep.cli.serve",
    "rimekeep.main",
    "rimekeep.worker",
    "uvicorn",
]


@cache
def _context() -> ForkServerContext:
    context = get_context("forkserver")
    context.set_forkserver_preload([*PRELOADED, __name__])
    return context


def _become(arguments: list[str], environment: dict[str, str], folder: str, out: str, err: str) -> None:
    for target, path in ((1, out), (2, err)):
        file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        os.dup2(file, target)
        os.close(file)
    os.chdir(folder)
    os.environ.clear()
    os.environ.update(environment)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    sys.argv = ["rimekeep", *arguments]
    from rimekeep.cli import main

    main()


class Forked:
    """A running command."""

    def __init__(
        self,
        arguments: list[str],
        environment: Mapping[str, str],
        out: Path,
        err: Path,
        folder: Path | None = None,
    ) -> None:
        self._process = _context().Process(
            target=_become, args=(arguments, dict(environment), str(folder or Path.cwd()), str(out), str(err))
        )
        self._process.start()

    def poll(self) -> int | None:
        """Return its exit code once it has ended."""
        return self._process.exitcode

    def wait(self, timeout: float) -> int:
        """Wait for its end; return its exit code."""
        self._process.join(timeout)
        code = self._process.exitcode
        if code is None:
            raise subprocess.TimeoutExpired("rimekeep", timeout)
        return code

    def terminate(self) -> None:
        """Ask it to end."""
        self._process.terminate()

    def send_signal(self, number: int) -> None:
        """Send it a signal."""
        if self._process.pid is not None and self._process.exitcode is None:
            os.kill(self._process.pid, number)


def run_warm(
    arguments: list[str], environment: Mapping[str, str], folder: Path | None = None, timeout: float = 300
) -> subprocess.CompletedProcess[str]:
    """Run a command to its end; return its exit code and what it said."""
    with TemporaryDirectory() as said:
        out, err = Path(said) / "out", Path(said) / "err"
        process = Forked(arguments, environment, out, err, folder)
        try:
            code = process.wait(timeout)
        except subprocess.TimeoutExpired:
            process.send_signal(signal.SIGKILL)
            raise
        return subprocess.CompletedProcess(
            ["rimekeep", *arguments], code, out.read_text(encoding="utf-8"), err.read_text(encoding="utf-8")
        )
