"""Trains the small network that finds where somebody speaks, on what ``speech.py`` spoke.

Frames of 10 ms go in, one number every 20 ms comes out: how likely somebody near the
microphone was speaking 40 ms ago. People further away and music are not meant. Trained by
cross entropy on six seconds at a time, some of them with nobody; what was spoken is known,
so every frame's answer is. ``--export`` writes ``activity.onnx``, one step at a time with
its state going round outside.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import torch
from network import BANDS, HOP, WINDOW, FrontEnd
from spoiling import Bank, Noises, filtered, heard_level, level, microphone, uniform
from torch import Tensor, nn
from torch.nn import functional
from train import all_noises, drawn, loaded

WIDTH, LATE = 96, 2
SIZE = 95_040  # 297 steps of 20 ms
SLOW = 1 / 150
"""Of each new frame in the running mean of every band: it forgets in 1.5 s."""


class Activity(nn.Module):
    """Log mel bands less their own running mean, two layers of gated recurrent units."""

    def __init__(self) -> None:
        super().__init__()
        self.front_end = FrontEnd()
        self.inward = nn.Linear(2 * BANDS, WIDTH)
        self.memory = nn.GRU(WIDTH, WIDTH, num_layers=2, batch_first=True)
        self.outward = nn.Linear(WIDTH, 1)

    def bands(self, samples: Tensor) -> Tensor:
        """``(batch, n)`` samples to ``(batch, (n - 240) // 160, BANDS)``."""
        spectrum = functional.conv1d(samples[:, None], self.front_end.kernels, stride=HOP)
        half = WINDOW // 2 + 1
        power = spectrum[:, :half] ** 2 + spectrum[:, half:] ** 2
        # The floor is white noise of -77 dBFS: true zeros are to look like a quiet input.
        return torch.log(torch.matmul(self.front_end.filters, power) + 1e-5).transpose(1, 2)

    def forward(self, samples: Tensor) -> Tensor:
        """Logits ``(batch, steps)`` for whole recordings."""
        bands = self.bands(samples)
        bands = bands[:, : bands.shape[1] // 2 * 2]
        relative = (bands - running_mean(bands)) / 3.0
        batch, frames, _ = relative.shape
        x = functional.silu(self.inward(relative.reshape(batch, frames // 2, 2 * BANDS)))
        return self.outward(self.memory(x)[0]).squeeze(-1)


class OneStep(nn.Module):
    """The same for 20 ms: 560 samples (240 of them seen before), the running mean of the
    bands ``(1, BANDS)``, the memory ``(2, 1, WIDTH)`` and 1.0 for the first step of all."""

    def __init__(self, activity: Activity) -> None:
        super().__init__()
        self.activity = activity

    def forward(
        self, samples: Tensor, mean: Tensor, memory: Tensor, first: Tensor
    ) -> tuple[Tensor, Tensor, Tensor]:
        bands = self.activity.bands(samples)
        relative = []
        for frame in range(2):
            fresh = bands[:, frame]
            mean = mean + SLOW * (fresh - mean)
            if frame == 0:
                mean = torch.where(first > 0.5, fresh, mean)
            relative.append((fresh - mean) / 3.0)
        x = functional.silu(self.activity.inward(torch.cat(relative, -1)[:, None]))
        x, memory = self.activity.memory(x, memory)
        return torch.sigmoid(self.activity.outward(x)).reshape(1), mean, memory


_WEIGHTS: dict[tuple[int, torch.device], Tensor] = {}


def running_mean(bands: Tensor) -> Tensor:
    """Exponential mean over the frames so far, the first frame's value to begin with."""
    frames, device = bands.shape[1], bands.device
    weight = _WEIGHTS.get((frames, device))
    if weight is None:
        age = torch.arange(frames, device=device)[:, None] - torch.arange(frames, device=device)
        weight = torch.where(age >= 0, SLOW * (1 - SLOW) ** age.clamp(min=0).float(), 0.0)
        weight[:, 0] = (1 - SLOW) ** torch.arange(frames, device=device).float()
        _WEIGHTS[frames, device] = weight
    return torch.matmul(weight, bands)


NOBODY = 0.36
"""Of the pieces: nobody speaks in them near the microphone."""


def heard(speech: Bank, of_engine: list[Tensor], count: int, noises: Noises) -> tuple[Tensor, Tensor]:
    """``(count, SIZE)`` samples and ``(count, steps)`` answers; the first ``NOBODY`` say nothing."""
    device = speech.samples.device
    alone = round(NOBODY * count)
    clean = torch.zeros(count, SIZE, device=device)
    spoken = torch.zeros(count, SIZE, device=device)
    for chance in (0.95, 0.5, 0.3):
        which = drawn(of_engine, count, enough=1500)
        which = which[torch.randint(0, len(which), (count,), device=device)]
        warp = uniform(count, 0.84, 1.19, device)
        at = (torch.rand(count, device=device) * (SIZE + 8000)).long() - 8000
        clip = speech.placed(which, at, warp, SIZE)
        clip = clip / level(clip, clip.abs() > 0.01)
        clip = clip * (torch.rand(count, 1, device=device) < chance)
        clip[:alone] = 0.0
        clip = clip * (clip.abs().amax(1, keepdim=True) < 60)  # hardly any of it is inside
        spoken = torch.maximum(spoken, clip.abs())
        clean = clean + clip * 10 ** (uniform(count, -4, 4, device)[:, None] / 20)
    inside = spoken > 0.1
    clean = filtered(clean, noises.some_rooms(count))
    noise, share = noises.mixed(count, SIZE, 0.68)
    noise[: alone * 5 // 6] = noises.mixed(alone * 5 // 6, SIZE, 1.0)[0]  # no people at all
    somebody = inside.any(1, keepdim=True)
    noise = noise / torch.where(somebody, heard_level(noise, inside),
                                level(noise, torch.ones_like(inside)))
    snr_db = torch.where(torch.rand(count, device=device) < 0.15,
                         uniform(count, 25, 50, device), uniform(count, -6, 22, device))
    snr_db = torch.where(share > 0.4, snr_db.clamp(min=5), snr_db)
    samples = microphone(clean + noise * 10 ** (-snr_db[:, None] / 20))
    # Some inputs give true zeros where nothing is said, or before they begin.
    silent = torch.rand(count, 1, device=device) < 0.06
    begins = (torch.rand(count, 1, device=device) * SIZE * 0.3) * (
        torch.rand(count, 1, device=device) < 0.1)
    before = torch.arange(SIZE, device=device)[None] < begins
    samples = samples * ~(silent & (spoken < 0.03)) * ~before
    # 20 ms steps in which the word is no more than 30 dB below its level; gaps are closed.
    spoken = spoken * ~before
    steps = spoken.reshape(count, -1, 2 * HOP).pow(2).mean(2).sqrt() > 10 ** (-30 / 20)
    wide = functional.max_pool1d(steps.float()[:, None], 7, 1, 3)
    closed = -functional.max_pool1d(-wide, 7, 1, 3)
    return samples, closed[:, 0]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("speech", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--others", type=Path)
    parser.add_argument("--made", type=Path, help="folder that machines.py wrote")
    parser.add_argument("--begin-with", type=Path, help="weights of an earlier training")
    parser.add_argument("--seconds", type=float, default=240)
    parser.add_argument("--batch", type=int, default=192)
    parser.add_argument("--least", type=int, default=40)
    parser.add_argument("--gpu", type=int, default=0)
    parser.add_argument("--noises", type=int, default=6144)
    parser.add_argument("--rate", type=float, default=3e-3)
    parser.add_argument("--export", type=Path, help="write this file from --out and end")
    parser.add_argument("--lowered", type=float, default=1.4,
                        help="taken off every exported answer, in natural logarithms of the odds")
    options = parser.parse_args()
    if options.export:
        return exported(options.out / "activity.pt", options.export, options.lowered)
    options.out.mkdir(parents=True, exist_ok=True)
    device = torch.device(f"cuda:{options.gpu}" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(7)
    bank, _, _, of_engine, _ = loaded(options.speech, options.least, device)
    noises = all_noises(bank, options.others, options.made, device, options.noises)
    network = Activity().to(device)
    if options.begin_with:
        network.load_state_dict(torch.load(options.begin_with, map_location=device))
    optimiser = torch.optim.AdamW(network.parameters(), lr=options.rate, weight_decay=0.01)
    began, step, running, looked = time.time(), 0, 0.0, time.time()
    while (done := (time.time() - began) / options.seconds) < 1:
        if time.time() - looked > 50:
            bank, _, _, of_engine, _ = loaded(options.speech, 1, device)
            looked = time.time()
        for group in optimiser.param_groups:
            group["lr"] = options.rate * min(1.0, (step + 1) / 100) * min(1.0, 1.02 - done)
        with torch.no_grad():
            samples, answers = heard(bank, of_engine, options.batch, noises)
            # The answer to a step comes two steps later; frames end 240 samples early.
            samples = functional.pad(samples, (240, 0))
            wanted = functional.pad(answers, (LATE, 0))[:, : answers.shape[1]]
        logits = network(samples)
        loss = functional.binary_cross_entropy_with_logits(
            logits, wanted[:, : logits.shape[1]])
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimiser.step()
        step += 1
        running = 0.98 * running + 0.02 * loss.item() if step > 1 else loss.item()
        if step % 100 == 0:
            alone = round(NOBODY * options.batch)
            spoken = wanted[:, : logits.shape[1]] > 0.5
            print(f"{time.time() - began:4.0f} s step {step} loss {running:.4f} found "
                  f"{float((logits > 0)[spoken].float().mean()):.3f} of speech, taken for it: "
                  f"{float((logits > 0)[:alone].float().mean()):.4f} of nobody", flush=True)
            if step % 1000 == 0:
                save(network, options.out)
    save(network, options.out)


def save(network: Activity, folder: Path) -> None:
    torch.save({k: v.cpu() for k, v in network.state_dict().items()}, folder / "activity.part")
    (folder / "activity.part").rename(folder / "activity.pt")


def exported(weights: Path, path: Path, lowered: float) -> None:
    """``lowered`` lets the endpointer's thresholds stand: words end when they did before."""
    import onnx
    from onnx import helper

    network = Activity()
    network.load_state_dict(torch.load(weights, map_location="cpu"), strict=False)
    network.outward.bias.data -= lowered
    torch.onnx.export(
        OneStep(network.eval()), (torch.randn(1, 560) * 0.01, torch.zeros(1, BANDS),
                                  torch.zeros(2, 1, WIDTH), torch.ones(1)),
        str(path), opset_version=17, input_names=["samples", "mean", "memory", "first"],
        output_names=["speaking", "next_mean", "next_memory"], dynamo=False)
    model = onnx.load(str(path))
    helper.set_model_props(model, {"licence": "Apache-2.0; made by encoder/ of tablevoice"})
    onnx.checker.check_model(model)
    onnx.save(model, str(path))
    print(f"{path.name}: {path.stat().st_size / 1e3:.0f} kB")


if __name__ == "__main__":
    main()
