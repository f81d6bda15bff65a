"""Fits the curve of ``tablevoice/listening/certainty.py`` and reports it on other voices.

Synthetic voices say phrases of a grammar and everyday words outside it, in pink noise;
the curve is fitted to some voices and counted on others. Run it after any change of the
PocketSphinx recogniser and write its result into the module.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import soxr

from tablevoice.listening.certainty import certainty_of
from tablevoice.listening.pocketsphinx_recogniser import PocketSphinxRecogniser
from tablevoice.model import LISTENING_RATE_HZ, Samples, Voice
from tablevoice.speech.engines import Engine

INSIDE = (
    "amber", "violet", "indigo", "scarlet", "pause", "hold on", "stop", "repeat", "say again",
    "help", "never mind", "yes", "no",
)  # fmt: skip
OUTSIDE = (
    "banana", "window", "seven", "table", "go home", "what time is it", "coffee", "hammer",
    "thank you", "look at that", "my phone", "elephant", "battery", "monday", "possible",
    "garden", "number four", "very nice", "over there", "open the door", "amazing", "violin",
    "helmet", "maybe later",
)  # fmt: skip
FITTED = ("en-us", "en-gb+f2", "en-us+m3")
TESTED = ("en-us+f4", "en-gb+m1", "en-gb-scotland+m5", "en-gb-x-rp+f1")
SNRS_DB = (30, 10)


@dataclass(frozen=True)
class Trial:
    voice: str
    snr_db: int
    inside: bool
    right: bool
    ratio: float | None


def pink(length: int, rng: np.random.Generator) -> Samples:
    spectrum = np.fft.rfft(rng.normal(size=length))
    spectrum[1:] /= np.sqrt(np.arange(1, len(spectrum)))
    spectrum[0] = 0
    noise = np.fft.irfft(spectrum, length)
    return np.asarray(noise / noise.std(), dtype=np.float32)


def trials() -> list[Trial]:
    rng = np.random.default_rng(7)
    found = []
    with Engine() as engine:
        for name in FITTED + TESTED:
            clips: dict[str, Samples] = {}
            for text in INSIDE + OUTSIDE:
                clip = engine.render(text, Voice(name, voice=name))
                clips[text] = np.asarray(
                    soxr.resample(clip.samples, clip.rate_hz, LISTENING_RATE_HZ), dtype=np.float32
                )
            for snr_db in SNRS_DB:
                recogniser = PocketSphinxRecogniser()
                recogniser.set_phrases(INSIDE)
                for text in rng.permutation(list(clips)):
                    clip_16k = clips[str(text)]
                    speech = clip_16k[np.abs(clip_16k) > 0.01]
                    padded = np.pad(clip_16k, (4000, 3680))
                    level = float(np.std(speech)) * 10 ** (-snr_db / 20)
                    noisy = np.asarray(padded + level * pink(len(padded), rng), dtype=np.float32)
                    recogniser.start()
                    recogniser.feed(noisy)
                    said = recogniser.finish()
                    found.append(
                        Trial(
                            name,
                            snr_db,
                            str(text) in INSIDE,
                            said.text == text,
                            said.evidence.get("log_likelihood_ratio"),
                        )
                    )
                recogniser.close()
    return found


def fit(trials: list[Trial]) -> tuple[float, float]:
    """Slope and middle of the logistic curve, by Newton's method, both classes weighing equal."""
    usable = [t for t in trials if t.ratio is not None]
    x = np.array([t.ratio for t in usable], dtype=float)
    y = np.array([t.right for t in usable], dtype=float)
    weight = np.where(y > 0, 0.5 / y.sum(), 0.5 / (len(y) - y.sum()))
    design = np.stack((x, np.ones_like(x)), axis=1)
    beta = np.zeros(2)
    for _ in range(50):
        p = 1 / (1 + np.exp(-np.clip(design @ beta, -30, 30)))
        gradient = design.T @ (weight * (y - p))
        curvature = design.T @ (design * (weight * p * (1 - p))[:, np.newaxis])
        beta = beta + np.linalg.solve(curvature + 1e-9 * np.eye(2), gradient)
    return float(beta[0]), float(-beta[1] / beta[0])


def wilson(hits: int, count: int) -> tuple[float, float]:
    """95 % score interval of a proportion."""
    if not count:
        return 0.0, 1.0
    z, share = 1.96, hits / count
    middle = (share + z * z / (2 * count)) / (1 + z * z / count)
    half = z / (1 + z * z / count) * np.sqrt(share * (1 - share) / count + (z / (2 * count)) ** 2)
    return float(middle - half), float(middle + half)


def measure() -> list[dict[str, Any]]:
    everything = trials()
    slope, middle = fit([t for t in everything if t.voice in FITTED])
    rows: list[dict[str, Any]] = [{"what": "curve", "slope": slope, "middle": middle}]
    for snr_db in SNRS_DB:
        for what, inside in (("right words acted on", True), ("outside words acted on", False)):
            for above in (0.45, 0.75):
                chosen = [
                    t
                    for t in everything
                    if t.voice in TESTED and t.snr_db == snr_db and t.inside is inside
                ]
                hits = sum(
                    (t.right or not inside)
                    and t.ratio is not None
                    and certainty_of(t.ratio, slope=slope, middle=middle) >= above
                    for t in chosen
                )
                low, high = wilson(hits, len(chosen))
                rows.append(
                    {
                        "what": f"{what}, certainty >= {above}",
                        "snr_db": snr_db,
                        "hits": hits,
                        "n": len(chosen),
                        "interval_95": (round(low, 3), round(high, 3)),
                    }
                )
    return rows


if __name__ == "__main__":
    for row in measure():
        print(row)
