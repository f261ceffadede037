"""Help: every topic in every language, and the picture's figures against the law they explain."""

import math

import html5lib
import pytest

from builders.api import Api
from rimekeep.web.helping import LANGUAGES, TOPICS
from rimekeep.web.helping.picture import COLD_C, FROM_H, ROUTE, TAU_H, UNTIL_H, WARM_C, warm_spell
from rimekeep.web.view import View


def signed_in(api: Api) -> None:
    api.client.cookies.clear()
    api.client.post("/sign-in", data={"token": api.tokens["picker"]})


@pytest.mark.parametrize("locale", ["en-GB", "de-DE"])
def test_every_topic_is_there_in_the_language_chosen(api: Api, locale: str) -> None:
    signed_in(api)
    api.client.cookies.set("rimekeep_view", View(locale).cookie)
    assert locale.partition("-")[0] in LANGUAGES
    for topic in TOPICS:
        response = api.client.get(f"/help/{topic}")
        assert response.status_code == 200
        assert response.headers["content-language"] == locale
        assert f'<html lang="{locale}">' in response.text
        html5lib.HTMLParser(strict=True).parse(response.text)


def test_a_topic_that_is_not_there_is_told_so(api: Api) -> None:
    signed_in(api)
    assert api.client.get("/help/nothing").status_code == 404


def test_the_model_is_explained_in_the_readers_units(api: Api) -> None:
    signed_in(api)
    api.client.cookies.set("rimekeep_view", View("en-US", "us").cookie)
    page = api.client.get("/help/life").text
    assert "59 °F" in page
    assert "37 °F" in page
    assert "15 °C" not in page


def test_the_pictures_figures_follow_from_the_law_by_hand() -> None:
    """The core from its closed form, the life by the trapezoidal rule on ten thousand steps: no code of the model."""
    spell = warm_spell()
    peak = WARM_C + (COLD_C - WARM_C) * math.exp(-(UNTIL_H - FROM_H) / TAU_H)
    assert spell.peak_core_c == pytest.approx(peak, abs=1e-9)

    def core(hour: float) -> float:
        if hour < FROM_H:
            return COLD_C
        if hour < UNTIL_H:
            return WARM_C + (COLD_C - WARM_C) * math.exp(-(hour - FROM_H) / TAU_H)
        return COLD_C + (peak - COLD_C) * math.exp(-(hour - UNTIL_H) / TAU_H)

    def rate(temp_c: float) -> float:
        return math.exp(-ROUTE.activation_kj_mol * 1e3 / 8.314462618 / (temp_c + 273.15))

    steps = [rate(core(72 * number / 10_000)) for number in range(10_001)]
    mean = (sum(steps) - (steps[0] + steps[-1]) / 2) / 10_000
    assert spell.lost_hours_cold == pytest.approx(72 * (mean / rate(COLD_C) - 1), rel=2e-3)
