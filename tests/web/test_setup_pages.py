"""Setting the store up, for people: what is shown to whom, and what two who edit at once are told."""

import html5lib
import pytest

from builders.api import Api


def signed_in(api: Api, role: str) -> Api:
    api.client.cookies.clear()
    api.client.post("/sign-in", data={"token": api.tokens[role]})
    return api


@pytest.mark.parametrize("path", ["/setup"])
def test_pages_of_an_empty_store_are_whole(api: Api, path: str) -> None:
    answer = signed_in(api, "lead").client.get(path)
    assert answer.status_code == 200
    html5lib.HTMLParser(strict=True).parse(answer.text)
    assert "style=" not in answer.text
