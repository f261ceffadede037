"""Asynchronous stories, wherever the test that tells them runs."""

import asyncio
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

T = TypeVar("T")


def run(story: Coroutine[Any, Any, T]) -> T:
    """Run a story to its end in a thread of its own: a browser opened by an earlier test keeps a loop in this one."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, story).result()
