"""Trains the encoder on what ``speech.py`` spoke.

Two tasks at once: the phones of what is said, and the one direction that the Speller gives
to exactly these phones among hundreds of other words, those that sound most alike
included (contrastive, as A. van den Oord et al., arXiv 1807.03748, from memory). Reads new
shards while it trains, so that speaking and training may overlap, stops after ``--seconds``
and writes a running mean of the weights.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import time
from pathlib import Path

import numpy as np
import torch
import torch.distributed
from network import SENSE, Convolution, Encoder, Speller
from speech import PHONES
from spoiling import Bank, Noises, microphone, spoilt
from torch import Tensor, nn
from torch.nn import functional

MOST_PHONES = 48
NEIGHBOURS = 24
SHARES = (0.21, 0.24, 0.09, 0.46)
"""Of a batch, in the order of ``speech.KINDS``; the last grows with the clips that are there."""
ENOUGH = 10_000
NOBODY = 0.09
"""Of a batch in which nobody says anything."""
SIZES = {17_600: 0.22, 25_600: 0.58, 54_400: 0.20}
"""Samples of a batch, and how often: what is cut out later is as long as the word."""


_READ: dict[Path, list[np.ndarray]] = {}


def loaded(
    folder: Path, least: int, device: torch.device
) -> tuple[Bank, Tensor, Tensor, list[Tensor], int]:
    """Every shard that is there, once there are ``least``: clips, padded phones, their counts,
    the numbers of each engine's clips."""
    while len(paths := sorted(folder.glob("*.npz"))) < least:
        time.sleep(1)
    for path in paths:
        if path not in _READ:
            with np.load(path) as shard:
                _READ[path] = [shard[name] for name in (
                    "samples", "lengths", "phones", "counts", "families")]
    samples, lengths, phones, counts, engines = zip(
        *(_READ[path] for path in paths), strict=True)
    length = np.concatenate(lengths).astype(np.int64)
    many = np.concatenate(counts).astype(np.int64)
    flat = np.concatenate(phones)
    bank = Bank(
        torch.from_numpy(np.concatenate(samples)).to(device),
        torch.from_numpy(np.concatenate(([0], np.cumsum(length)[:-1]))).to(device),
        torch.from_numpy(length).to(device))
    padded = torch.from_numpy(rows_of(flat, many)).to(device)
    engine = np.concatenate(engines)
    of_engine = [torch.from_numpy(np.flatnonzero(engine == number)).to(device)
                 for number in range(len(SHARES))]
    counted = torch.from_numpy(np.minimum(many, MOST_PHONES)).to(device)
    return bank, padded, counted, of_engine, len(paths)


def drawn(of_engine: list[Tensor], count: int, enough: int = ENOUGH) -> Tensor:
    """Numbers of ``count`` clips, each engine having its share once it has ``enough``."""
    shares = [share * min(1.0, len(clips) / enough) for share, clips in zip(
        SHARES, of_engine, strict=True)]
    parts = [clips[torch.randint(0, len(clips), (round(count * share / sum(shares)),),
                                 device=clips.device)]
             for share, clips in zip(shares, of_engine, strict=True) if len(clips)]
    which = torch.cat(parts)
    return which[torch.randperm(len(which), device=which.device)]


def rows_of(flat: np.ndarray, many: np.ndarray) -> np.ndarray:
    """Runs of ``many`` values each as rows of ``MOST_PHONES``, zeros behind."""
    starts = np.concatenate(([0], np.cumsum(many)[:-1]))
    place = np.arange(MOST_PHONES)[None]
    index = np.minimum(starts[:, None] + place, len(flat) - 1)
    return np.where(place < many[:, None], flat[index], 0).astype(np.int8)


def vocabulary(folder: Path, device: torch.device) -> Tensor:
    """The phones of every word that may be said, ``(words, MOST_PHONES)``."""
    settings = next(iter(sorted(folder.glob("settings_*.json"))))
    said_as = json.loads(settings.read_text())["said_as"]
    order = {phone: index + 1 for index, phone in enumerate(PHONES)}
    rows = [[order[phone] for phone in phones] for phones in said_as.values()]
    many = np.array([len(row) for row in rows])
    return torch.from_numpy(rows_of(np.concatenate([np.array(row) for row in rows]), many)).to(device)


def neighbours(speller: Speller, words: Tensor) -> Tensor:
    """For every word the words that the Speller finds most alike, ``(words, NEIGHBOURS)``."""
    with torch.no_grad():
        senses = torch.cat([speller(part[:, :24].long()) for part in words.split(4096)])
        alike = [(part @ senses.T).topk(NEIGHBOURS + 1).indices[:, 1:] for part in senses.split(2048)]
    return torch.cat(alike)


def unfolded(codes: np.ndarray) -> np.ndarray:
    """8-bit mu-law (ITU-T G.711's curve, mu 255) to 16 bits."""
    value = codes.astype(np.float32) / 127.5 - 1
    return (np.sign(value) * (256 ** np.abs(value) - 1) / 255 * 32767).astype(np.int16)


def all_noises(
    bank: Bank, others: Path | None, made: Path | None, device: torch.device, count: int
) -> Noises:
    """The store of noises: made ones, those of ``others.py`` and, once it is there, the
    folder of ``machines.py``."""
    banks, sounds = [bank], []
    if others:
        with np.load(others) as codes:
            for name in codes.files:
                empty = torch.zeros(1)
                one = Bank(torch.from_numpy(unfolded(codes[name])).to(device), empty, empty)
                if name != "talk":
                    sounds.append(one)
                if name != "sounds":
                    banks.append(one)
    while made and not (made / "machines.npy").exists():
        time.sleep(1)
    return Noises(banks, device, count, made, sounds)


def quicker_convolution(device: torch.device) -> None:
    """Time both forms of the depthwise convolution and keep the quicker one."""
    if device.type != "cuda":
        return
    took = {}
    for shifted in (False, True):
        Convolution.shifted = shifted
        layer = Convolution(192, 15).to(device)
        for turn in range(6):
            if turn == 2:
                torch.cuda.synchronize()
                began = time.time()
            with torch.autocast("cuda", torch.bfloat16):
                out = layer(torch.randn(768, 80, 192, device=device))
            out.float().sum().backward()
        torch.cuda.synchronize()
        took[shifted] = time.time() - began
    Convolution.shifted = took[True] < took[False]
    print(f"convolution: grouped {took[False]:.3f} s, shifted {took[True]:.3f} s", flush=True)


def masked(bands: Tensor) -> Tensor:
    """Bands and moments put out (D. Park et al., SpecAugment, Interspeech 2019, from memory)."""
    device = bands.device
    for width, axis in ((9, 2), (9, 2), (9, 1)):
        extent = bands.shape[axis]
        start = torch.randint(0, extent, (len(bands), 1), device=device)
        length = torch.randint(0, width, (len(bands), 1), device=device)
        place = torch.arange(extent, device=device)[None]
        covered = (place >= start) & (place < start + length)
        bands = bands.masked_fill(covered[:, :, None] if axis == 1 else covered[:, None, :], 0.0)
    return bands


class Sense(nn.Module):
    """What the contrastive task learns beside the encoder: spelling, sharpness, nothing said."""

    def __init__(self) -> None:
        super().__init__()
        self.speller = Speller()
        self.sharpness = nn.Parameter(torch.tensor(2.5))
        self.nobody = nn.Parameter(torch.randn(SENSE) * 0.1)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("speech", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--others", type=Path, help="npz of mu-law noises: human talk, music")
    parser.add_argument("--made", type=Path, help="folder that machines.py wrote")
    parser.add_argument("--begin-with", type=Path, help="weights of an earlier training")
    parser.add_argument("--seconds", type=float, default=500)
    parser.add_argument("--batch", type=int, default=768)
    parser.add_argument("--least", type=int, default=30)
    parser.add_argument("--rate", type=float, default=1.0e-3)
    parser.add_argument("--noises", type=int, default=6144)
    parser.add_argument("--save-every", type=float, default=200, help="seconds")
    parser.add_argument("--seed", type=int, default=2)
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    rank, several = int(os.environ.get("RANK", "0")), int(os.environ.get("WORLD_SIZE", "1"))
    device = torch.device(f"cuda:{rank}" if torch.cuda.is_available() else "cpu")
    if several > 1:
        torch.cuda.set_device(device)
        torch.distributed.init_process_group("nccl")
    torch.manual_seed(options.seed * 16 + rank)
    alike = random.Random(options.seed)  # the same on every GPU: nobody waits for longer clips
    torch.backends.cuda.matmul.allow_tf32 = True
    torch.backends.cudnn.allow_tf32 = True
    began = time.time()
    quicker_convolution(device)
    network, mean = Encoder().to(device), Encoder().to(device)
    sense, sense_mean = Sense().to(device), Sense().to(device)
    if options.begin_with:
        state = torch.load(options.begin_with, map_location=device)
        if "sense" in state:
            sense.load_state_dict({k: v.float() for k, v in state["sense"].items()})
        state = state.get("encoder", state)
        lacking = network.load_state_dict({k: v.float() for k, v in state.items()}, strict=False)
        print("begun anew:", sorted({name.split(".")[0] for name in lacking.missing_keys}))
    mean.load_state_dict(network.state_dict())
    sense_mean.load_state_dict(sense.state_dict())
    both = [*network.parameters(), *sense.parameters()]
    slow = [*mean.parameters(), *sense_mean.parameters()]
    optimiser = torch.optim.AdamW(both, lr=options.rate, betas=(0.9, 0.98), weight_decay=0.02)
    bank, phones, counts, of_engine, read = loaded(options.speech, options.least, device)
    words = vocabulary(options.speech, device)
    noises = all_noises(bank, options.others, options.made, device, options.noises)
    print(f"{len(bank)} clips of {read} shards after {time.time() - began:.0f} s", flush=True)
    looked = time.time()
    near: Tensor | None = None
    network.train()
    running, step, begun_at = np.zeros(2), 0, time.time() - began
    gone = saved = begun_at
    while gone < options.seconds:
        if time.time() - looked > 50 and len(list(options.speech.glob("*.npz"))) > read * 1.2:
            del bank
            bank, phones, counts, of_engine, read = loaded(options.speech, 1, device)
            looked = time.time()
            print(f"{len(bank)} clips: {[len(clips) for clips in of_engine]}", flush=True)
        if step % 400 == (250 if near is None else 0):
            near = neighbours(sense.speller, words)
        size = alike.choices(list(SIZES), list(SIZES.values()))[0]
        batch = options.batch // 2 if size > 30_000 else options.batch
        which = drawn(of_engine, batch * 6)
        which = which[bank.lengths[which] < (size - 3200) * 0.84][:batch]
        with torch.no_grad():
            heard = spoilt(bank, which, size, noises)
            label, count = phones[which].long(), counts[which].clone()
            nobody = torch.arange(len(which), device=device) < round(NOBODY * len(which))
            alone = round(NOBODY * len(which))
            heard[:alone] = microphone(noises.nobody(alone, size))
            count[:alone] = 0
            bands = masked(network.front_end(heard))
            # What else might have been said: others of the batch, look-alikes, any word.
            pool = [label[:, :MOST_PHONES], words[torch.randint(
                0, len(words), (1024,), device=device)].long()]
            if near is not None:
                pool.append(nearest_rows(label, words, near))
            spelt = torch.unique(torch.cat(pool), dim=0)
            target = row_of(label, spelt)
        done = gone / options.seconds
        rate = options.rate * min(1.0, (step + 1) / 200) * (
            1.0 if done < 0.3 else max(0.01, 1 - (done - 0.3) / 0.69))
        for group in optimiser.param_groups:
            group["lr"] = rate
        with torch.autocast(device.type, torch.bfloat16):
            scores, _, said = network.from_bands(bands)
            senses = sense.speller(spelt)
        steps = torch.full((len(which),), scores.shape[1], dtype=torch.long, device=device)
        scores = scores.float()
        phone_loss = functional.ctc_loss(
            scores.transpose(0, 1), label, steps, count, zero_infinity=True)
        senses = torch.cat((senses.float(), functional.normalize(sense.nobody, dim=0)[None]))
        target = torch.where(nobody, len(spelt), target)
        logits = said.float() @ senses.T * sense.sharpness.exp().clamp(max=60)
        sense_loss = functional.cross_entropy(logits, target)
        loss = 0.6 * phone_loss + sense_loss
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        told = agreed(both, time.time() - began, several)
        if step % 20 == 0:  # to look at it is to wait for it
            gone = float(told)
        torch.nn.utils.clip_grad_norm_(both, 2.0)
        optimiser.step()
        step += 1
        with torch.no_grad():
            share = min(0.998, step / (step + 20))
            torch._foreach_lerp_([p.data for p in slow], [p.data for p in both], 1 - share)
        if not rank and gone - saved > options.save_every:
            saved = gone
            save(mean, sense_mean, options.out)
        if step % 25 == 0:
            now = np.array([float(phone_loss), float(sense_loss)])
            running = 0.85 * running + 0.15 * now if running.any() else now
            if step % 200 == 0 and not rank:
                guess = logits.argmax(1)
                right = (guess == target)[alone:].float().mean()
                quiet = (guess == target)[:alone].float().mean()
                lost = (guess == len(spelt))[alone:].float().mean()
                pace = step / (time.time() - began - begun_at)
                print(f"{gone:5.0f} s step {step} ({pace:.1f}/s) phones {running[0]:.3f} sense "
                      f"{running[1]:.3f} right {float(right):.2f} of {len(spelt)}, nobody "
                      f"{float(quiet):.3f}, words lost to it {float(lost):.4f}", flush=True)
    if rank:
        return
    save(mean, sense_mean, options.out)
    print(f"{step} steps, sharpness {float(sense.sharpness.detach().exp()):.1f}", flush=True)


def save(encoder: Encoder, sense: Sense, folder: Path) -> None:
    """Both in half precision, whole or not at all."""
    half = {name: {key: value.half().cpu() for key, value in network.state_dict().items()}
            for name, network in (("encoder", encoder), ("sense", sense))}
    torch.save(half, folder / "encoder.part")
    (folder / "encoder.part").rename(folder / "encoder.pt")


def agreed(parameters: list[nn.Parameter], gone: float, several: int) -> Tensor | float:
    """The mean of all GPUs' gradients in each, and of their clocks: they end together."""
    if several == 1:
        return gone
    flat = torch.cat([p.grad.flatten() for p in parameters]
                     + [torch.tensor([gone], device=parameters[0].device)])
    torch.distributed.all_reduce(flat, torch.distributed.ReduceOp.AVG)
    start = 0
    for p in parameters:
        p.grad.copy_(flat[start : start + p.numel()].view_as(p))
        start += p.numel()
    return flat[-1]


def row_of(rows: Tensor, table: Tensor) -> Tensor:
    """The index in ``table`` (unique rows) of each of ``rows``."""
    key = _keys(table)
    order = key.argsort()
    return order[torch.searchsorted(key[order], _keys(rows))]


def nearest_rows(label: Tensor, words: Tensor, near: Tensor) -> Tensor:
    """Four look-alikes of each label that is a single word of the vocabulary."""
    key = _keys(words.long())
    order = key.argsort()
    wanted = _keys(label)
    place = torch.searchsorted(key[order], wanted).clamp(max=len(key) - 1)
    index = order[place]
    known = index[key[index] == wanted]
    pick = torch.randint(0, near.shape[1], (len(known), 4), device=label.device)
    return words[near[known].gather(1, pick).flatten()].long()


_FACTORS: dict[torch.device, Tensor] = {}


def _keys(rows: Tensor) -> Tensor:
    """One number a row of phones (a polynomial hash in 64 bits)."""
    factors = _FACTORS.get(rows.device)
    if factors is None:
        made = [pow(1_000_003, place, 2**61 - 1) for place in range(MOST_PHONES)]
        factors = _FACTORS[rows.device] = torch.tensor(made, device=rows.device)
    return (rows.long() * factors).sum(1)


if __name__ == "__main__":
    main()
