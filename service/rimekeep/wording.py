"""
Sentences that can be said in another language later.

The service words its answers in English where they are made, deep inside, where nobody knows who will read
them. ``say`` formats such a sentence and keeps what it was made of: to everybody it is the English text, and
whoever knows the reader says it again (``spoken``) from the same facts.
"""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from enum import Enum
from string import Formatter
from typing import Any, Protocol

# What a sentence is stored as, and known again by.
_TEMPLATE, _VALUES, _PLURAL, _DAY = "say", "with", "many", "on"
# Names of values, besides those ending in "state", that hold a word of the service's own.
_OWN_WORDS = frozenset({"kind", "present", "role", "side", "word"})
# A template with fewer letters of its own could be meant by anything.
_LEAST_LETTERS = 4


class Said(str):
    """An English sentence that knows its template, its values and, where it counts, its plural form."""

    __slots__ = ("plural", "template", "values")

    template: str
    plural: str
    values: dict[str, Any]

    def __deepcopy__(self, memo: object) -> "Said":
        """Return itself: nothing of it changes."""
        return self

    def __reduce__(self) -> tuple[Any, ...]:
        """Keep everything on the way to another process."""
        return _kept, (str(self), self.template, self.plural, self.values)


class Words(Protocol):
    """A catalogue of sentences in one language."""

    def gettext(self, message: str) -> str:
        """Return the sentence's template in that language, or the English one."""
        ...

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        """Return the template for so many."""
        ...


def _made(template: str, plural: str, values: dict[str, Any]) -> Said:
    form = plural if plural and values["n"] != 1 else template
    return _kept(form.format(**values) if values else form, template, plural, values)


def _kept(text: str, template: str, plural: str, values: dict[str, Any]) -> Said:
    said = Said(text)
    said.template, said.plural, said.values = template, plural, values
    return said


def say(template: str, /, **values: Any) -> str:
    """Return an English sentence with ``values`` in their places, as ``str.format`` puts them there."""
    return _made(template, "", values)


def counted(one: str, many: str, /, *, n: int, **values: Any) -> str:
    """Return a sentence about one thing or about ``n`` of them."""
    return _made(one, many, {"n": n, **values})


def listed(parts: Sequence[str]) -> str:
    """Return one thing, or several as a list: A, B and C."""
    if len(parts) == 1:
        return parts[0]
    return say("{some} and {last}", some=glued(*parts[:-1], by=", "), last=parts[-1])


def lowered(text: str) -> str:
    """Return a sentence as it goes on after a colon; other languages begin it as they do."""
    small = text[:1].lower() + text[1:]
    if not isinstance(text, Said):
        return small
    return _kept(small, text.template, text.plural, text.values)


def noted(template: str) -> str:
    """Return a template as it is: marks what is formatted elsewhere and has to be said in other languages."""
    return template


def glued(*parts: str, by: str = " ") -> str:
    """Return sentences one after the other, each still known for itself; empty ones are left out."""
    known = [part for part in parts if part]
    if not any(isinstance(part, Said) for part in known):
        return by.join(known)
    names = {f"part_{place}": part for place, part in enumerate(known)}
    return say(by.join(f"{{{name}}}" for name in names), **names)


def spoken(text: str, words: Words, form: Callable[[object, str], str]) -> str:
    """
    Return a sentence in the language of ``words``; what was not made by ``say`` stays as it is.

    Parameters
    ----------
    form
        Writes a value as that language does, by its format specification.
    """
    if not isinstance(text, Said):
        return text
    if text.plural:
        template = words.ngettext(text.template, text.plural, text.values["n"])
    else:
        template = words.gettext(text.template)
    return _Filling(words, form).vformat(template, (), text.values) if text.values else template


class _Filling(Formatter):
    """Puts values into a sentence as a language writes them."""

    def __init__(self, words: Words, form: Callable[[object, str], str]) -> None:
        self._words, self._form = words, form

    def get_value(self, key: int | str, args: Sequence[Any], kwargs: Mapping[str, Any]) -> Any:
        value = super().get_value(key, args, kwargs)
        is_word = str(key).endswith("state") or key in _OWN_WORDS
        if is_word and isinstance(value, str) and not isinstance(value, Said):
            return self._words.gettext(str(value))
        return value

    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, Said):
            return spoken(value, self._words, self._form)
        return self._form(value, format_spec)


def packed(value: Any) -> Any:
    """Return ``value`` with every sentence in it as JSON that ``unpacked`` knows again."""
    if isinstance(value, Said):
        values = {name: _plain(one) for name, one in value.values.items()}
        kept: dict[str, Any] = {_TEMPLATE: value.template, _VALUES: values}
        return kept | {_PLURAL: value.plural} if value.plural else kept
    if isinstance(value, Mapping):
        return {name: packed(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [packed(one) for one in value]
    return value


def unpacked(value: Any) -> Any:
    """Return what was packed, with its sentences."""
    if isinstance(value, Mapping):
        if _TEMPLATE in value and _VALUES in value:
            return _made(value[_TEMPLATE], value.get(_PLURAL, ""), unpacked(value[_VALUES]))
        if set(value) == {_DAY}:
            return date.fromisoformat(value[_DAY])
        return {name: unpacked(one) for name, one in value.items()}
    if isinstance(value, list):
        return [unpacked(one) for one in value]
    return value


def _plain(value: Any) -> Any:
    """Return a value of a sentence as JSON has it: what is formatted later must not change its kind."""
    if isinstance(value, Said):
        return packed(value)
    if isinstance(value, bool | int | float | str) and not isinstance(value, Enum):
        return value
    return {_DAY: value.isoformat()} if type(value) is date else str(value)


class _Seen(str):
    """A value as it stands in a finished sentence."""

    __slots__ = ()

    def __repr__(self) -> str:
        return str(self)


class Sentences:
    """
    Known templates, by which a finished English sentence is known again.

    For what was kept as text, before or after it was made by ``say``: values come back as texts, and several
    sentences in a row are known one by one. A text may be anybody's: the work grows with its length alone.
    """

    def __init__(self, templates: Iterable[str]) -> None:
        """Take ``templates`` as ``say`` has them."""
        shapes = [shape for shape in map(_shape, templates) if shape.letters >= _LEAST_LETTERS]
        self._whole = frozenset(shape.template for shape in shapes if not shape.names)
        # What says most of itself is surest to be meant.
        self._with_values = sorted(
            (shape for shape in shapes if shape.names), key=lambda one: (-one.letters, one.template)
        )

    def known(self, text: str) -> str:
        """Return ``text`` as a sentence that can be said again; as it is where no template is meant."""
        parts = _ENDS.split(text)
        if len(parts) > _MOST_SENTENCES:
            return text
        known = [self._one(part) for part in parts]
        if len(parts) == 1:
            return known[0] or text
        whole = self._one(text) or (None if all(known) else self._one(text, is_far=True))
        return whole or glued(*(found or part for found, part in zip(known, parts, strict=True)))

    def _one(self, text: str, depth: int = 0, *, is_far: bool = False) -> Said | None:
        """Return the sentence ``text`` is; only with ``is_far`` a value may hold more than one sentence."""
        if text in self._whole:
            return _kept(text, text, "", {})
        if depth == _DEEPEST:
            return None
        for shape in self._with_values:
            if not (text.startswith(shape.literals[0]) and text.endswith(shape.literals[-1])):
                continue
            found = shape.values_in(text)
            if found and (is_far or not any(map(_ENDS.search, found.values()))):
                values = {name: self._one(part, depth + 1) or _Seen(part) for name, part in found.items()}
                return _kept(text, shape.template, "", values)
        return None


# Where one sentence ends and the next begins.
_ENDS = re.compile(r"(?<=[.!?]) ")
# More in a row than the service ever says, and sentences deeper within others; own conventions.
_MOST_SENTENCES = 20
_DEEPEST = 4


@dataclass(frozen=True, slots=True)
class _Shape:
    """A template in parts: what it says itself, before, between and after its values."""

    template: str
    letters: int
    literals: tuple[str, ...]
    names: tuple[str, ...]

    def values_in(self, text: str) -> dict[str, str] | None:
        """
        Return the values of a text that begins and ends as this does, each as short as can be.

        What stands between is sought from the left, once: where any way to read the text fits, this one
        does. None: no way does.
        """
        end = len(text) - len(self.literals[-1])
        place = len(self.literals[0])
        values: dict[str, str] = {}
        for name, literal in zip(self.names, (*self.literals[1:-1], None), strict=True):
            # No value is empty, nor the one after it.
            at = end if literal is None else text.find(literal, place + 1, end - 1)
            if at <= place or values.setdefault(name, text[place:at]) != text[place:at]:
                return None
            place = at + len(literal or "")
        return values


def _shape(template: str) -> _Shape:
    literals, names = [""], []
    parts = list(Formatter().parse(template))
    if not all(name is None or name.isidentifier() for _, name, _, _ in parts):
        # Braces of its own, as in JSON: it was said as it stands.
        return _Shape(template, len(template), (template,), ())
    for literal, name, _, _ in parts:
        literals[-1] += literal
        if name is not None:
            names.append(name)
            literals.append("")
    return _Shape(template, sum(map(str.isalpha, "".join(literals))), tuple(literals), tuple(names))


def each(value: Any, change: Callable[[str], str]) -> Any:
    """Return ``value`` with every text in it changed, through lists and mappings."""
    if isinstance(value, str):
        return change(value)
    if isinstance(value, Mapping):
        return {name: each(one, change) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [each(one, change) for one in value]
    return value


def decimal_comma(value: object, spec: str) -> str:
    """Write a value as German does: comma before decimals, the day before month and year."""
    if isinstance(value, str):
        is_number = spec != "" and value.replace(".", "", 1).lstrip("-").isdigit()
        return value.replace(".", ",") if is_number else value
    if isinstance(value, date | time) and spec == "":
        if isinstance(value, datetime):
            return f"{value:%d.%m.%Y %H:%M}"
        return f"{value:%d.%m.%Y}" if isinstance(value, date) else f"{value:%H:%M}"
    written = format(value, spec)
    is_number = isinstance(value, float) or (isinstance(value, int) and "." in spec)
    return written.replace(".", ",") if is_number else written
