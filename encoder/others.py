"""Gathers what is heard behind the words, or with nobody speaking, out of Debian's packages.

Knows where the packages named in README.md have their sounds. Writes 16 kHz, 8-bit mu-law
arrays: ``talk`` (people in other languages), ``music``, and ``sounds`` (keys, engines,
tools, animals, instruments: no words). Usage: ``python others.py UNPACKED others.npz``,
where UNPACKED has one folder a package (``dpkg-deb -x``).
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from math import gcd
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import resample_poly

RATE_HZ = 16_000
TALK = {
    "asterisk-core-sounds-es-wav": "**/*.wav", "asterisk-core-sounds-fr-wav": "**/*.wav",
    "asterisk-core-sounds-it-wav": "**/*.wav", "asterisk-core-sounds-ru-wav": "**/*.wav",
    "ktuberling-data": "**/sounds/[!e]*/*.*", "klettres-data": "**/klettres/[!e]*/**/*.ogg",
    "tuxpaint-stamps-default": "**/*_desc_[!e]*.ogg",
}
SOUNDS = {
    "tuxpaint-stamps-default": "**/*.ogg", "bucklespring-data": "**/*.wav",
    "dustracing2d-data": "**/*.ogg", "ri-li-data": "**/*.wav", "moon-lander-data": "**/*.wav",
}
VOICES = ("_desc", "/symbols/", "/military/", "/space/", "/town/", "/seasonal/", "/food/",
          "cheering", "eagle_has_landed", "live.wav", "end.wav")
"""Parts of the paths of sounds in which somebody speaks, sings or shouts, or might."""



def read(path: Path, longest_s: float) -> np.ndarray:
    """The middle ``longest_s`` of a file, its loudest sample 0.7; nothing if it is silent."""
    clip, rate_hz = soundfile.read(path, dtype="float32", always_2d=True)
    clip = clip.mean(1)
    common = gcd(rate_hz, RATE_HZ)
    clip = resample_poly(clip, RATE_HZ // common, rate_hz // common)
    most = round(longest_s * RATE_HZ)
    clip = clip[max(0, len(clip) - most) // 2 :][:most]
    peak = np.abs(clip).max() if len(clip) else 0.0
    return clip / peak * 0.7 if peak > 1e-3 else clip[:0]


def folded(clips: Iterable[np.ndarray]) -> np.ndarray:
    """8-bit mu-law (mu 255)."""
    clip = np.concatenate(list(clips))
    value = np.sign(clip) * np.log1p(255 * np.abs(clip)) / np.log(256)
    return np.round((value + 1) * 127.5).astype(np.uint8)


def some(paths: list[Path], seconds: float, longest_s: float, gap_s: float) -> list[np.ndarray]:
    """Files in random order until there is enough, a silence behind each."""
    clips, gone = [], 0
    for index in np.random.default_rng(5).permutation(len(paths)):
        clip = read(paths[index], longest_s)
        clips += [clip, np.zeros(round(gap_s * RATE_HZ), np.float32)]
        gone += len(clip)
        if gone > seconds * RATE_HZ:
            break
    return clips


def found(folder: Path, patterns: dict[str, str], seconds: float, longest_s: float,
          gap_s: float) -> np.ndarray:
    clips = []
    for package, pattern in patterns.items():
        paths = sorted(path for path in (folder / package).glob(pattern) if path.is_file())
        if patterns is SOUNDS:
            paths = [path for path in paths if not any(part in str(path) for part in VOICES)]
        paths = [path for path in paths if path.suffix in (".wav", ".ogg")]
        part = some(paths, seconds / len(patterns), longest_s, gap_s)
        print(f"{package}: {len(part) // 2} of {len(paths)} files, "
              f"{sum(map(len, part)) / RATE_HZ:.0f} s")
        clips += part
    return folded(clips)


def main() -> None:
    folder = Path(sys.argv[1])
    np.savez(
        sys.argv[2],
        talk=found(folder, TALK, 700, 8.0, 0.0),
        music=found(folder, {"asterisk-moh-opsound-wav": "**/*.wav"}, 240, 60.0, 0.0),
        sounds=found(folder, SOUNDS, 360, 4.0, 0.15),
    )


if __name__ == "__main__":
    main()
