"""The small markup of a line: emphasis, pauses and breath, and what it becomes elsewhere.

``_word_`` is emphasised, ``|`` is a short pause, ``||`` a breath, ``|1.5s|`` a pause of that
length; a backslash before ``_``, ``|`` or itself makes it an ordinary character. Pure text:
knows neither slots nor engines. The phrasebook checks lines with it and escapes slot values,
speaking turns its pieces into sound, everything else sees the words alone.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TypeAlias
from xml.sax.saxutils import escape as xml_escape
from xml.sax.saxutils import quoteattr

from tablevoice.model import Pronunciation

SHORT_PAUSE_S = 0.2
"""``|``: a comma's worth; espeak-ng 1.52 pauses 0.17 s at a comma at 160 words a minute."""

BREATH_S = 0.5
"""``||``: longer than the 0.35 s that espeak-ng 1.52 leaves between two sentences."""

SHORTEST_PAUSE_S, LONGEST_PAUSE_S = 0.05, 5.0
"""Below, a pause is not heard; above, listeners take the line for over."""

SSML_NAMESPACE = "http://www.w3.org/2001/10/synthesis"

# No blank after the first stroke, so that "a | 5s | b" says "5s" between two short pauses.
_PAUSE = r"\|(?P<seconds>[0-9]+(?:\.[0-9]+)?) ?s\|"
_TOKEN = re.compile(rf"\\(?P<escaped>.?)|{_PAUSE}|(?P<breath>\|\|)|(?P<short>\|)|(?P<mark>_)", re.S)
_SPECIAL = re.compile(r"[\\_|]")


@dataclass(frozen=True, slots=True)
class Words:
    """Words to be said; ``said_as`` where they have a pronunciation of their own."""

    text: str
    emphasised: bool = False
    said_as: Pronunciation | None = None


@dataclass(frozen=True, slots=True)
class Pause:
    """Silence of ``seconds`` between two words."""

    seconds: float


Piece: TypeAlias = Words | Pause
Pieces: TypeAlias = tuple[Piece, ...]


class MarkupError(ValueError):
    """A text that is no markup: what is wrong, at which character (from 0), what to do."""

    def __init__(self, what: str, at: int, do: str) -> None:
        super().__init__(f"{what} (character {at + 1})")
        self.what = what
        self.at = at
        self.do = do


@lru_cache(maxsize=16_384)
def parse(marked: str) -> Pieces:
    """The pieces of a marked text: no two alike side by side, no pause at an end.

    Raises :class:`MarkupError`.
    """
    pieces: list[Piece] = []
    words: list[str] = []
    opened: int | None = None
    pause_at = 0
    end = 0

    def close() -> None:
        text = "".join(words)
        words.clear()
        before = pieces[-1] if pieces else None
        if isinstance(before, Pause):
            text = text.lstrip()
        if text:
            pieces.append(Words(text, opened is not None))

    for token in _TOKEN.finditer(marked):
        words.append(marked[end : token.start()])
        at, end = token.start(), token.end()
        kind = token.lastgroup
        if kind == "escaped":
            if not _SPECIAL.fullmatch(token["escaped"]):
                raise MarkupError(
                    "a backslash stands before a character that needs none", at,
                    r"Write \\ for a backslash, \_ and \| for those characters.",
                )  # fmt: skip
            words.append(token["escaped"])
        elif kind == "mark":
            if opened is not None and not "".join(words).strip() and _emphasis_is_empty(pieces):
                raise MarkupError(
                    "nothing stands between these marks of emphasis", opened,
                    r"Put words between them, or write \_ to say the character.",
                )  # fmt: skip
            close()
            opened = at if opened is None else None
        else:
            seconds = _seconds(token, at)
            close()
            _strip_end(pieces)
            if not pieces:
                raise MarkupError("the line begins with a pause", at, "Take it out.")
            if isinstance(pieces[-1], Pause):
                raise MarkupError("two pauses follow each other", at, "Write one: |0.8s|.")
            pieces.append(Pause(seconds))
            pause_at = at
    words.append(marked[end:])
    if opened is not None:
        raise MarkupError(
            "the emphasis that begins here has no end", opened,
            r"Put another _ after the words, or write \_ to say the character.",
        )  # fmt: skip
    close()
    if pieces and isinstance(pieces[-1], Pause):
        raise MarkupError("the line ends with a pause", pause_at, "Take it out.")
    return _joined(pieces)


def _emphasis_is_empty(pieces: list[Piece]) -> bool:
    """Whether no emphasised words came since the mark that is open (a pause may have)."""
    last = next((piece for piece in reversed(pieces) if isinstance(piece, Words)), None)
    return last is None or not last.emphasised


def _seconds(token: re.Match[str], at: int) -> float:
    if token["breath"]:
        return BREATH_S
    if token["short"]:
        return SHORT_PAUSE_S
    seconds = float(token["seconds"])
    if not SHORTEST_PAUSE_S <= seconds <= LONGEST_PAUSE_S:
        raise MarkupError(
            f"a pause of {token['seconds']} s", at,
            f"Write {SHORTEST_PAUSE_S:g} to {LONGEST_PAUSE_S:g} seconds.",
        )  # fmt: skip
    return seconds


def _strip_end(pieces: list[Piece]) -> None:
    while pieces and isinstance(pieces[-1], Words):
        text = pieces[-1].text.rstrip()
        if text:
            pieces[-1] = replace(pieces[-1], text=text)
            return
        pieces.pop()


def _joined(pieces: Iterable[Piece]) -> Pieces:
    """Words of one kind that stand side by side become one piece."""
    joined: list[Piece] = []
    for piece in pieces:
        last = joined[-1] if joined else None
        if (
            isinstance(piece, Words)
            and isinstance(last, Words)
            and (piece.emphasised, piece.said_as, last.said_as) == (last.emphasised, None, None)
        ):
            joined[-1] = replace(last, text=last.text + piece.text)
        else:
            joined.append(piece)
    return tuple(joined)


def is_marked(text: str) -> bool:
    """Whether there is any mark in a text, escaped ones too."""
    return _SPECIAL.search(text) is not None


def escape(text: str) -> str:
    """Plain text as markup that says just that, whatever stands in it."""
    return _SPECIAL.sub(r"\\\g<0>", text)


def written(pieces: Iterable[Piece]) -> str:
    """Pieces as marked text: ``parse(written(pieces))`` gives them back, less pronunciations."""
    out = []
    for piece in pieces:
        if isinstance(piece, Pause):
            sign = {SHORT_PAUSE_S: "|", BREATH_S: "||"}.get(piece.seconds)
            out.append(f" {sign} " if sign else f" |{piece.seconds!r}s| ")
        else:
            words = escape(piece.text)
            out.append(f"_{words}_" if piece.emphasised else words)
    return "".join(out)


def plain(marked: str) -> str:
    """The words alone, as captions, histories and comparisons want them.

    Raises :class:`MarkupError`.
    """
    return words_alone(parse(marked))


def words_alone(pieces: Iterable[Piece]) -> str:
    """The words of pieces; a pause leaves a space."""
    return "".join(piece.text if isinstance(piece, Words) else " " for piece in pieces)


def pronounced(pieces: Pieces, entries: Mapping[str, Pronunciation]) -> Pieces:
    """Pieces with the pronunciations of whole words set, in any case; longer entries first.

    A possessive (``word's``) is another word and wants an entry of its own.
    """
    if not entries:
        return pieces
    known = {word.casefold(): how for word, how in entries.items()}
    pattern = _pattern(tuple(known))
    found: list[Piece] = []
    for piece in pieces:
        if isinstance(piece, Pause):
            found.append(piece)
            continue
        end = 0
        for match in pattern.finditer(piece.text):
            how = known.get(match.group().casefold())
            if how is None:  # a letter that folds into two, or the like
                continue
            if match.start() > end:
                found.append(replace(piece, text=piece.text[end : match.start()]))
            found.append(replace(piece, text=match.group(), said_as=how))
            end = match.end()
        if end < len(piece.text):
            found.append(replace(piece, text=piece.text[end:]))
    return tuple(found)


@lru_cache(maxsize=64)
def _pattern(words: tuple[str, ...]) -> re.Pattern[str]:
    longest_first = sorted(words, key=lambda word: (-len(word), word))
    among = "|".join(re.escape(word) for word in longest_first)
    return re.compile(rf"(?<!\w)(?:{among})(?!\w|['’]\w)", re.IGNORECASE)


def ssml(pieces: Iterable[Piece], language: str) -> str:
    """Pieces as a document of W3C SSML 1.1; ``language`` is a BCP 47 tag."""
    head = f'<speak version="1.1" xmlns="{SSML_NAMESPACE}" xml:lang={quoteattr(language)}>'
    return f"{head}{''.join(map(_element, pieces))}</speak>"


def break_element(pause: Pause) -> str:
    """A pause in SSML."""
    return f'<break time="{round(pause.seconds * 1000)}ms"/>'


def emphasis_element(inside: str) -> str:
    """An element (or escaped text) emphasised in SSML."""
    return f'<emphasis level="moderate">{inside}</emphasis>'


def _element(piece: Piece) -> str:
    if isinstance(piece, Pause):
        return break_element(piece)
    said = xml_escape(piece.text)
    how = piece.said_as
    if how is not None and how.ipa:
        said = f'<phoneme alphabet="ipa" ph={quoteattr(how.ipa)}>{said}</phoneme>'
    elif how is not None:
        said = f"<sub alias={quoteattr(how.respelling)}>{said}</sub>"
    return emphasis_element(said) if piece.emphasised else said
