"""Pages as the application makes them, read strictly."""

from __future__ import annotations

import html5lib

from builders.api import Api


def read(api: Api, role: str, path: str, status: int = 200) -> str:
    """A page as a role gets it; any parse error of the HTML Living Standard's parser raises."""
    api.client.cookies.clear()
    api.client.post("/sign-in", data={"token": api.tokens[role]})
    found = api.client.get(path)
    assert found.status_code == status, found.text
    html5lib.HTMLParser(strict=True).parse(found.text)
    assert "style=" not in found.text
    return found.text
