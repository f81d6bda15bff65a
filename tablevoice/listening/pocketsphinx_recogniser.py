"""PocketSphinx behind the recogniser interface: a grammar of the allowed phrases.

Knows the engine, its dictionary and how far the sound supports a phrase; knows nothing of
answers, devices or time. :func:`tablevoice.listening.recognisers.open_recogniser` opens it.

A bare grammar turns every sound into a command. So a second decoder runs the same audio
through a free loop of phones; the log-likelihood ratio of the two, per frame, says how
much worse the phrase explains the sound than any string of phones would.
:mod:`tablevoice.listening.certainty` makes a probability of it.
"""

from __future__ import annotations

import math
import os
from collections import OrderedDict
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from pocketsphinx import Config, Decoder, get_model_path

from tablevoice.errors import RecogniserUnavailable
from tablevoice.listening.certainty import certainty_of
from tablevoice.listening.framing import FRAME_SAMPLES, BandMeter, to_pcm
from tablevoice.listening.pronouncing import offer_entry
from tablevoice.model import Hypothesis, Samples
from tablevoice.wording import normalise, words_of

_KEPT_GRAMMARS = 64
"""A table has some dozens of questions; each grammar takes a few hundred kB."""

_ENGINE_FRAME_S = 0.01

_SCORE_UNIT = 1024
"""The engine shifts its log scores right by ten bits before it hands them out."""

_LEVEL_OFF_DB = 3.5
"""So far the mean level may be from that of the utterances before.

A stream is decoded with the cepstral mean of the utterances before. Where that must be
wrong (the first utterance, a step of the noise, a person far away) the utterance is
decoded again as a whole.
"""

_DITHER_DBFS = -62.0
"""White noise added to all that is decoded.

Digital silence (a muted channel, a sound server's null sink) has log energies so low that
they drag the cepstral mean away: of 80 clean words with silence around them 15 were acted
on rightly, with noise at -60 dBFS 55. A real microphone's noise lies above this one.
"""

_PIECE_BYTES = 2 * 1600
"""The engine is fed 100 ms at a time: each call costs, whatever its length."""

_MEAN_FRAMES = 500
"""So many frames a mean counts as that the engine is given (its constant CMN_WIN)."""

_ALL_PHONES = "loop"
_SETTLING = to_pcm(0.1 * np.random.RandomState(0).standard_normal(1600).astype(np.float32))

_NEWEST_SHARE = 0.4
"""Weight of the newest utterance in the running mean level."""

_GET_MODEL = (
    "Leave `model` away for the English model that comes with the pocketsphinx package, or give "
    "a folder with an acoustic model (mdef, means, ...) and one .dict file."
)


class PocketSphinxRecogniser:
    """One acoustic model, many grammars of which one is active, and a loop of phones."""

    def __init__(
        self,
        model: str | None = None,
        *,
        language: str = "en",
        pronunciations: Mapping[str, tuple[str, ...]] | None = None,
    ) -> None:
        acoustic, dictionary = _find_model(model, language)
        try:
            # Senones of every second frame are enough (ds=2): measured equal in accuracy on
            # 600 noisy clips and a third cheaper. The loop can do with narrow beams.
            self._decoder: Any = _decoder(acoustic, dictionary)
            self._loop: Any = _decoder(acoustic, dictionary, beam=1e-20, pbeam=1e-20)
            for decoder in (self._decoder, self._loop):
                decoder.add_allphone_file(_ALL_PHONES, None)
            self._loop.activate_search(_ALL_PHONES)
        except (RuntimeError, ValueError) as error:
            raise RecogniserUnavailable(
                f"the PocketSphinx model cannot be loaded ({error}).",
                where=str(acoustic),
                do=_GET_MODEL,
            ) from error
        self._dictionary_path = dictionary
        for word, variants in (pronunciations or {}).items():
            self._add_word(normalise(word), variants)
        self._grammars: OrderedDict[frozenset[str], str] = OrderedDict()
        self._named = 0
        self._open = False
        self._pcm: list[bytes] = []
        self._waiting = b""
        self._dither = np.random.RandomState(0)
        self._level_db: float | None = None
        self._first_mean = str(self._decoder.get_cmn(False))
        self._mean = self._first_mean
        self._active: frozenset[str] = frozenset()
        self.reset()  # into the one state that every later reset brings it to

    def _add_word(self, word: str, variants: tuple[str, ...]) -> None:
        if not word or " " in word:
            raise RecogniserUnavailable(
                f"a pronunciation is for one word, not {word!r}.", do="Give each word its own."
            )
        number = 1
        for phones in variants:
            name = word
            while self._decoder.lookup_word(name) is not None:
                number += 1
                name = f"{word}({number})"
            try:
                self._decoder.add_word(name, phones)
            except RuntimeError as error:
                raise RecogniserUnavailable(
                    f"{phones!r} is no pronunciation of {word!r}.",
                    where=f"pronounce: {word}",
                    do="Write ARPABET phones with single spaces, as in Z AE F ER.",
                ) from error

    def set_phrases(self, phrases: Collection[str]) -> None:
        wanted = frozenset(filter(None, map(normalise, phrases)))
        if wanted and wanted not in self._grammars:
            self._compile(wanted)
        if wanted:
            self._grammars.move_to_end(wanted)
        self._active = wanted

    def _compile(self, wanted: frozenset[str]) -> None:
        missing = [word for word in words_of(wanted) if self._decoder.lookup_word(word) is None]
        if missing:
            raise RecogniserUnavailable(
                f"the dictionary has no word {', '.join(map(repr, missing))}.",
                where=str(self._dictionary_path.name),
                do="Add to the phrasebook, and listen whether it is right:\n"
                + offer_entry(missing, _read_dictionary(self._dictionary_path)),
            )
        self._named += 1
        name = f"grammar{self._named}"
        # Normalised phrases are words of the dictionary and spaces: nothing in them can be
        # read as JSGF. Sorted, so that the same set is always the same grammar.
        allowed = " | ".join(sorted(wanted))
        self._decoder.add_jsgf_string(
            name, f"#JSGF V1.0; grammar table; public <allowed> = {allowed};".encode()
        )
        self._grammars[wanted] = name
        while len(self._grammars) > _KEPT_GRAMMARS:
            _, oldest = self._grammars.popitem(last=False)
            if oldest != self._decoder.current_search():
                self._decoder.remove_search(oldest)

    def start(self) -> None:
        if self._open:
            self._end()
        if self._active:
            self._decoder.activate_search(self._grammars[self._active])
            for decoder in (self._decoder, self._loop):
                decoder.set_cmn(self._mean)
                decoder.start_utt()
            self._pcm = []
            self._waiting = b""
            self._dither.seed(0)  # the same utterance is always the same sound
            self._open = True

    def feed(self, samples: Samples) -> None:
        if self._open and len(samples):
            dither = self._dither.normal(0.0, 10.0 ** (_DITHER_DBFS / 20.0), len(samples))
            pcm = to_pcm(samples + dither.astype(np.float32))
            self._pcm.append(pcm)
            self._waiting += pcm
            if len(self._waiting) >= _PIECE_BYTES:
                self._catch_up()

    def _catch_up(self) -> None:
        if self._waiting:
            self._decoder.process_raw(self._waiting)
            self._loop.process_raw(self._waiting)
            self._waiting = b""

    def complete(self) -> bool:
        if self._open:
            self._catch_up()
        found = self._decoder.hyp() if self._open else None
        return found is not None and normalise(found.hypstr) in self._active

    def finish(self) -> Hypothesis:
        if not self._open:
            return Hypothesis("", 0.0, True)
        self._end()
        found, free = self._decoder.hyp(), self._loop.hyp()
        text = normalise(found.hypstr) if found is not None else ""
        # The engine also gives the beginning of a phrase that was never finished.
        if text not in self._active or not found.score or free is None or not free.score:
            return Hypothesis("", 0.0, True)
        frames = max(1, self._decoder.n_frames())
        ratio = math.log(found.score / free.score) * _SCORE_UNIT / frames
        phones = sum(len(self._decoder.lookup_word(word).split()) for word in text.split())
        evidence = {
            "log_likelihood_ratio": ratio,
            "phrase_s": self._phrase_s(),
            "phones": float(phones),
        }
        return Hypothesis(text, certainty_of(ratio), True, evidence)

    def _phrase_s(self) -> float:
        """How long the words of the hypothesis last, silences and noises left out."""
        frames: int = sum(
            word.end_frame - word.start_frame + 1
            for word in self._decoder.seg()
            if word.word[0] not in "<+("  # <sil>, ++NOISE++, (NULL)
        )
        return frames * _ENGINE_FRAME_S

    def _end(self) -> None:
        self._catch_up()
        self._open = False
        for decoder in (self._decoder, self._loop):
            decoder.end_utt()
        if not self._pcm:
            return
        whole = b"".join(self._pcm)
        level_db = _mean_level_db(whole)
        if self._level_db is not None and abs(level_db - self._level_db) <= _LEVEL_OFF_DB:
            self._level_db += _NEWEST_SHARE * (level_db - self._level_db)
            self._mean = str(self._decoder.get_cmn(True))
            return
        self._level_db = level_db
        own_mean = self._own_mean()
        for decoder in (self._decoder, self._loop):
            decoder.set_cmn(own_mean)
            decoder.start_utt()
            decoder.process_raw(whole, full_utt=True)
            decoder.end_utt()
        self._mean = str(self._decoder.get_cmn(False))

    def _own_mean(self) -> str:
        """The cepstral mean of the utterance alone, out of the running one.

        The engine averages the utterance with the mean that it was given, which counts as
        so many frames; the given one must be taken out again where it was wrong.
        """
        given = np.array([float(value) for value in self._mean.split(",")])
        running = np.array([float(value) for value in self._decoder.get_cmn(True).split(",")])
        frames = max(1, self._decoder.n_frames())
        own = running + (running - given) * _MEAN_FRAMES / frames
        return ",".join(f"{value:.4f}" for value in own)

    def reset(self) -> None:
        if self._open:
            self._end()
        self._level_db, self._mean = None, self._first_mean
        self._decoder.activate_search(_ALL_PHONES)
        for decoder in (self._decoder, self._loop):
            # The engine keeps, over utterances, the Gaussians that last fitted each phone, and
            # starts from them where a phone comes up in a frame that it does not evaluate in
            # full (ds=2). Any sound decoded with all phones active brings them to one state.
            decoder.reinit_feat()
            for _ in range(2):
                decoder.start_utt()
                decoder.process_raw(_SETTLING)
                decoder.end_utt()

    def close(self) -> None:
        self._active = frozenset()
        self._open = False
        self._grammars.clear()
        self._decoder = self._loop = None


def _mean_level_db(pcm: bytes) -> float:
    """Mean over the 10 ms frames of the level in the speech band: what a cepstral mean sees."""
    samples = (np.frombuffer(pcm, dtype="<i2") / 32768).astype(np.float32)
    power = BandMeter().measure(samples[: len(samples) // FRAME_SAMPLES * FRAME_SAMPLES])
    return float(np.mean(10.0 * np.log10(power + 1e-9))) if len(power) else 0.0


def _decoder(acoustic: Path, dictionary: Path, **beams: float) -> Any:
    return Decoder(
        Config(
            hmm=str(acoustic),
            dict=str(dictionary),
            lm=None,
            ds=2,
            logfn=os.devnull,
            loglevel="FATAL",
            **beams,
        )
    )


def _find_model(model: str | None, language: str) -> tuple[Path, Path]:
    """Acoustic model folder and dictionary file."""
    if model is None:
        if not language.lower().startswith("en"):
            raise RecogniserUnavailable(
                f"the model that comes with PocketSphinx is English, the language is {language!r}.",
                do="Give a `model` for that language, or use the vosk recogniser.",
            )
        folder = Path(get_model_path()) / "en-us"
    else:
        folder = Path(model).expanduser()
    acoustic = sorted(path.parent for path in [*folder.glob("mdef"), *folder.glob("*/mdef")])
    dictionaries = sorted([*folder.glob("*.dict"), *folder.glob("*.dic")])
    if not acoustic or not dictionaries:
        raise RecogniserUnavailable(
            "there is no PocketSphinx model here.", where=str(folder), do=_GET_MODEL
        )
    return acoustic[0], dictionaries[0]


def _read_dictionary(path: Path) -> dict[str, str]:
    """First pronunciation of every word; read only when an error has to be written."""
    entries: dict[str, str] = {}
    with path.open(encoding="utf-8", errors="replace") as lines:
        for line in lines:
            word, _, phones = line.strip().partition(" ")
            if phones and not word.endswith(")"):
                entries.setdefault(word, phones.strip())
    return entries
