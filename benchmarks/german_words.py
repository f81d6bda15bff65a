"""Whether German words can be heard with PocketSphinx's English sounds, beside English ones.

German words are given to the grammar as English phones (``pronounce:`` would do the same),
said by espeak-ng and Pico voices that differ in speaker, and mixed with shop noise; English
words go the same way in the same run. ``phrasebooks/laternenschnur.yaml`` quotes what came out.
Run it with ``python -m benchmarks german_words``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import soxr

from tablevoice.acoustics.levels import mix_at_snr
from tablevoice.acoustics.noise import shop_noise
from tablevoice.corpora.pico_voices import PicoVoices
from tablevoice.listening.recognisers import open_recogniser
from tablevoice.model import LISTENING_RATE_HZ, Clip, Samples, Voice
from tablevoice.speech.engines import Engine

GERMAN_SOUNDS: Mapping[str, tuple[str, ...]] = {
    "violett": ("V IY OW L EH T",),
    "silber": ("Z IH L B ER", "Z IH L B AH"),
    "türkis": ("T UH R K IY S", "T IY R K IY S", "T Y UH R K IY S"),
    "rubin": ("R UW B IY N",),
    "ja": ("Y AA",),
    "nein": ("N AY N",),
    "pause": ("P AW Z AH",),
    "stopp": ("SH T AO P",),
    "halt": ("HH AA L T",),
    "hilfe": ("HH IH L F AH",),
    "wiederholen": ("V IY D ER HH OW L AH N",),
    "vergiss": ("F EH R G IH S", "F ER G IH S"),
    "es": ("EH S",),
    "genau": ("G EH N AW", "G AH N AW"),
    "falsch": ("F AA L SH",),
}
"""The nearest ARPABET phones; where English has none (ü, r), more than one try."""


@dataclass(frozen=True, slots=True)
class Language:
    """What is said and by whom: espeak-ng voices and one of Pico's."""

    name: str
    phrases: tuple[str, ...]
    sounds: Mapping[str, tuple[str, ...]]
    espeak: str
    pico: str


LANGUAGES = (
    Language(
        "German", ("rubin", "silber", "türkis", "violett", "ja", "nein", "genau", "falsch",
                   "pause", "stopp", "halt", "wiederholen", "hilfe", "vergiss es"),
        GERMAN_SOUNDS, "de", "de-DE",
    ),
    Language(
        "English", ("crimson", "silver", "teal", "violet", "yes", "no", "correct", "wrong",
                    "pause", "stop", "stop now", "repeat", "help", "never mind"),
        {}, "en-gb", "en-GB",
    ),
)  # fmt: skip
VARIANTS = ("", "+m3", "+f2", "+f4", "+m7")
PACES = (0.9, 1.0, 1.1)
SNRS_DB = (None, 20.0, 10.0)
AROUND_S = 0.375


def measure() -> list[dict[str, Any]]:
    """How many phrases of each language were heard rightly, in quiet and in noise."""
    noise = shop_noise(20.0, LISTENING_RATE_HZ, 3, level_dbfs=-40.0)
    rows = []
    for language in LANGUAGES:
        clips = _said(language)
        recogniser = open_recogniser("pocketsphinx", pronunciations=language.sounds)
        recogniser.set_phrases(language.phrases)
        for snr_db in SNRS_DB:
            right = 0
            for phrase, samples in clips:
                sound = np.pad(samples, round(AROUND_S * LISTENING_RATE_HZ)).astype(np.float32)
                if snr_db is not None:
                    speech = Clip(sound, LISTENING_RATE_HZ)
                    sound = mix_at_snr(speech, noise, snr_db, noise_from_s=1.0).samples
                recogniser.start()
                for first in range(0, len(sound), 1_600):
                    recogniser.feed(sound[first : first + 1_600])
                right += recogniser.finish().text == phrase
            rows.append(
                {"language": language.name, "SNR": "quiet" if snr_db is None else f"{snr_db:g} dB",
                 "right": right, "of": len(clips)}
            )  # fmt: skip
        recogniser.close()
    return rows


def _said(language: Language) -> Sequence[tuple[str, Samples]]:
    clips = []
    with Engine() as engine:
        for variant in VARIANTS:
            voice = Voice("any", voice=language.espeak + variant, rate_wpm=140)
            clips += [(phrase, engine.render(phrase, voice)) for phrase in language.phrases]
    pico = PicoVoices()
    for pace in PACES:
        clips += [(phrase, pico.say(language.pico, phrase, pace, 0.0))
                  for phrase in language.phrases]  # fmt: skip
    return [(phrase, _at_listening_rate(clip)) for phrase, clip in clips]


def _at_listening_rate(clip: Clip) -> Samples:
    if clip.rate_hz == LISTENING_RATE_HZ:
        return clip.samples
    resampled = soxr.resample(clip.samples, clip.rate_hz, LISTENING_RATE_HZ)
    return np.asarray(resampled, dtype=np.float32)
