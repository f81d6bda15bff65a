"""Lets the recogniser hear a word as the voices say it, where the phrasebook respells it.

A respelling is looked up word by word in the pronouncing dictionary; one that is made of
invented words says nothing to a recogniser, which then goes on as before. Called for the
phrasebook of a cell that listens in English.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from tablevoice.errors import RecogniserUnavailable
from tablevoice.listening.dictionary import said_as, ways_of_saying
from tablevoice.model import Phrasebook
from tablevoice.wording import normalise


def heard_as_said(book: Phrasebook, phrases: Collection[str]) -> Phrasebook:
    """The phrasebook with the sounds of its respellings among its pronunciations.

    Only words of ``phrases`` (what people may say), and only where the entry gives no sounds
    itself. What the dictionary has for the word stays: people may say either.
    """
    if book.language.partition("-")[0] != "en":
        return book
    spoken = {word for phrase in phrases for word in normalise(phrase).split()}
    wanted = {
        word: how.respelling
        for word, how in book.spoken.items()
        if how.respelling and word not in book.pronunciations and normalise(word) in spoken
    }
    sounds = {word: ways for word, said in wanted.items() if (ways := _ways(word, said))}
    return replace(book, pronunciations={**book.pronunciations, **sounds}) if sounds else book


def _ways(word: str, respelling: str) -> tuple[str, ...]:
    try:
        said = ways_of_saying(respelling, {})
    except RecogniserUnavailable:  # a word that no dictionary has, written to be read aloud
        return ()
    ways = (*said, *said_as(normalise(word)))
    return tuple(dict.fromkeys(" ".join(way) for way in ways))
