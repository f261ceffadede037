"""The deck as a drawing: front wall above, doors below, as somebody sees it who stands at the doors."""

from collections.abc import Sequence
from typing import Any

from reportlab.lib.units import mm
from reportlab.platypus import Flowable

from rimekeep.loading.core.papers import DeckRow, Turn
from rimekeep.loading.papers.frame import BODY_HEIGHT, ROOM, in_own_words
from rimekeep.platform.language import speech
from rimekeep.platform.printing import BOLD, PLAIN, fitted, wrapped
from rimekeep.wording import say

ROWS_A_PAGE = 22
_NUMBER, _DECK, _MASS = 10 * mm, 84 * mm, 18 * mm
_END: float = 7 * mm
_HEAD: float = 6 * mm
_TALLEST = 14 * mm
# A place narrower than this has room for its two numbers only.
_NARROW = 17 * mm
_KEPT_FREE = 26 * mm
_BULKHEAD: float = 4.5 * mm


def deck_drawings(rows: Sequence[DeckRow]) -> list[Flowable]:
    """Return the deck, in as many parts as it takes pages."""
    starts = range(0, len(rows), ROWS_A_PAGE)
    return [
        _Deck(rows[k : k + ROWS_A_PAGE], is_first=k == 0, is_last=k + ROWS_A_PAGE >= len(rows))
        for k in starts
    ]


class _Deck(Flowable):  # type: ignore[misc]
    """Some rows of a deck, each with its mass and how it is secured beside it."""

    def __init__(self, rows: Sequence[DeckRow], *, is_first: bool, is_last: bool) -> None:
        super().__init__()
        self._rows, self._is_first, self._is_last = rows, is_first, is_last
        ends = _HEAD + _END * (is_first + is_last) + _BULKHEAD * sum(bool(row.bulkhead) for row in rows)
        self._tall = min(_TALLEST, (BODY_HEIGHT - _KEPT_FREE - ends) / len(rows))
        self._height: float = ends + self._tall * len(rows)

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        """Return the room it takes."""
        return ROOM, self._height

    def draw(self) -> None:
        """Draw it from the top down."""
        y = self._height - _HEAD
        _write(self.canv, 0, y + 1.5 * mm, say("row"), BOLD, 8, _NUMBER)
        half = _DECK / 2
        _write(self.canv, _NUMBER, y + 1.5 * mm, say("left: lane 1"), BOLD, 8, half)
        _write(self.canv, _NUMBER + half, y + 1.5 * mm, say("right"), BOLD, 8, half, is_right=True)
        _write(self.canv, _NUMBER + _DECK, y + 1.5 * mm, say("kg in row"), BOLD, 8, _MASS, is_right=True)
        beside = _NUMBER + _DECK + _MASS + 3 * mm
        _write(self.canv, beside, y + 1.5 * mm, say("how it is held"), BOLD, 8, ROOM - beside)
        top = y
        if self._is_first:
            y = self._end(y, say("FRONT WALL (cab)"))
        for row in self._rows:
            y -= self._tall
            self._row(row, y)
            if row.bulkhead:
                y = self._bulkhead(y, row.bulkhead)
        if self._is_last:
            y = self._end(y, say("DOORS (rear)"))
        self.canv.setLineWidth(1.6)
        self.canv.line(_NUMBER, y, _NUMBER, top)
        self.canv.line(_NUMBER + _DECK, y, _NUMBER + _DECK, top)

    def _end(self, y: float, words: str) -> float:
        """Write what closes the deck at one end."""
        self.canv.setLineWidth(1.6)
        self.canv.rect(_NUMBER, y - _END, _DECK, _END)
        _write(self.canv, _NUMBER, y - _END + 2.2 * mm, words, BOLD, 10, _DECK, is_centred=True)
        return y - _END

    def _bulkhead(self, y: float, words: str) -> float:
        """Draw a bulkhead across the deck, with the air on either side in words."""
        self.canv.setLineWidth(2.0)
        self.canv.rect(_NUMBER, y - _BULKHEAD, _DECK, _BULKHEAD)
        _write(self.canv, _NUMBER, y - _BULKHEAD + 1.2 * mm, words, BOLD, 8, _DECK, is_centred=True)
        return y - _BULKHEAD

    def _row(self, row: DeckRow, y: float) -> None:
        middle = y + self._tall / 2 - 1.2 * mm
        _write(self.canv, 0, middle, str(row.number), BOLD, 10, _NUMBER - 2 * mm, is_right=True)
        wide = _DECK / len(row.cells)
        self.canv.setLineWidth(0.5)
        for lane, turns in enumerate(row.cells):
            x = _NUMBER + lane * wide
            self.canv.rect(x, y, wide, self._tall)
            if not turns:
                _write(self.canv, x, middle, say("free"), PLAIN, 8, wide, is_centred=True)
            for k, turn in enumerate(turns):
                part = wide / len(turns)
                self.canv.rect(x + k * part, y, part, self._tall)
                self._unit(turn, x + k * part, y, part)
        _write(self.canv, _NUMBER + _DECK, middle, f"{row.mass_kg:.0f}", PLAIN, 9, _MASS, is_right=True)
        beside = _NUMBER + _DECK + _MASS + 3 * mm
        self._held(row.securing, beside, y)

    def _held(self, words: str, x: float, y: float) -> None:
        """Write how a row is held in as many lines as its height has room for."""
        lines = wrapped(speech().say(words), PLAIN, 7, ROOM - x)
        step = 3.1 * mm
        most = max(1, int(self._tall // step))
        if len(lines) > most:
            lines = [*lines[: most - 1], " ".join(lines[most - 1 :])]
        top = y + (self._tall + step * len(lines)) / 2 - 2.3 * mm
        for k, line in enumerate(lines):
            _write(self.canv, x, top - k * step, line, PLAIN, 7, ROOM - x)

    def _unit(self, turn: Turn, x: float, y: float, wide: float) -> None:
        tall = self._tall
        if wide < _NARROW:
            _write(self.canv, x, y + tall * 0.45, str(turn.drop), BOLD, 11, wide, is_centred=True)
            _write(self.canv, x, y + tall * 0.12, turn.words, PLAIN, 6.5, wide, is_centred=True)
            return
        mark = 9 * mm
        _write(self.canv, x, y + tall / 2 - 2.2 * mm, str(turn.drop), BOLD, 18, mark, is_centred=True)
        beside, room = x + mark + 0.5 * mm, wide - mark - 1 * mm
        step = (tall - 1.2 * mm) / 3
        lines = (
            (BOLD, turn.words),
            (PLAIN, f"{turn.mass_kg:.0f} kg"),
            (PLAIN, f"…{turn.sscc[-6:]}"),
        )
        for k, (font, words) in enumerate(lines, 1):
            _write(self.canv, beside, y + tall - k * step + 0.5 * mm, words, font, 7, room)


def _write(
    canvas: Any,
    x: float,
    y: float,
    words: str,
    font: str,
    points: float,
    room: float,
    *,
    is_right: bool = False,
    is_centred: bool = False,
) -> None:
    """Write one line that stays within its room."""
    line, fitting = fitted(in_own_words(words), font, points, room, least=4.0)
    canvas.setFont(font, fitting)
    if is_right:
        canvas.drawRightString(x + room, y, line)
    elif is_centred:
        canvas.drawCentredString(x + room / 2, y, line)
    else:
        canvas.drawString(x, y, line)
