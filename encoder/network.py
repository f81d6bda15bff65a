"""The encoder: 16 kHz samples in, phones and an embedding every 20 ms out.

Knows its own layers only. The front end (log mel bands by convolution) is part of the
network, so that what is exported takes plain samples. Blocks are Conformers (A. Gulati
et al., Interspeech 2020, from memory) with rotary positions; the phones are trained with
connectionist temporal classification (A. Graves et al., ICML 2006, from memory).
"""

from __future__ import annotations

import math

import torch
from torch import Tensor, nn
from torch.nn import functional

RATE_HZ = 16_000
WINDOW, HOP, BANDS = 400, 160, 64
PHONES = 39


def mel_filters(bands: int = BANDS, low_hz: float = 60.0, high_hz: float = 7600.0) -> Tensor:
    """Triangles on the mel scale (2595 log10(1 + f/700)), shape ``(bands, WINDOW // 2 + 1)``."""
    def mel(hz: float) -> float:
        return 2595 * math.log10(1 + hz / 700)

    points = torch.linspace(mel(low_hz), mel(high_hz), bands + 2)
    edges = 700 * (10 ** (points / 2595) - 1)
    bins = torch.arange(WINDOW // 2 + 1) * RATE_HZ / WINDOW
    up = (bins[None] - edges[:-2, None]) / (edges[1:-1] - edges[:-2])[:, None]
    down = (edges[2:, None] - bins[None]) / (edges[2:] - edges[1:-1])[:, None]
    filters = torch.minimum(up, down).clamp(min=0)
    # The lowest triangles are narrower than a bin: none may be empty.
    centre = (edges[1:-1] * WINDOW / RATE_HZ).round().long()
    empty = filters.sum(1) < 0.5
    filters[torch.arange(bands)[empty], centre[empty]] = 1.0
    return filters


class FrontEnd(nn.Module):
    """Samples ``(batch, n)`` to log mel bands ``(batch, n // HOP - 1, BANDS)``, level taken off."""

    def __init__(self) -> None:
        super().__init__()
        window = torch.hann_window(WINDOW)
        angle = 2 * math.pi * torch.arange(WINDOW // 2 + 1)[:, None] * torch.arange(WINDOW) / WINDOW
        kernels = torch.cat((torch.cos(angle), -torch.sin(angle))) * window
        self.register_buffer("kernels", kernels[:, None], persistent=False)
        self.register_buffer("filters", mel_filters(), persistent=False)

    def forward(self, samples: Tensor) -> Tensor:
        spectrum = functional.conv1d(samples[:, None], self.kernels, stride=HOP)
        half = WINDOW // 2 + 1
        power = spectrum[:, :half] ** 2 + spectrum[:, half:] ** 2
        bands = torch.log(torch.matmul(self.filters, power) + 1e-7).transpose(1, 2)
        # Loudness says nothing about a word: the mean of the whole utterance goes.
        return (bands - bands.mean((1, 2), keepdim=True)) / 3.0


def rotated(values: Tensor) -> Tensor:
    """Rotary positions on ``(batch, heads, time, size)``."""
    size = values.shape[-1]
    half = size // 2
    step = torch.arange(values.shape[2], device=values.device, dtype=torch.float32)
    speed = 10_000 ** (-torch.arange(half, device=values.device, dtype=torch.float32) / half)
    angle = (step[:, None] * speed[None])[None, None]
    cos, sin = torch.cos(angle).to(values.dtype), torch.sin(angle).to(values.dtype)
    one, two = values[..., :half], values[..., half:]
    return torch.cat((one * cos - two * sin, two * cos + one * sin), -1)


class Attention(nn.Module):
    def __init__(self, width: int, heads: int, dropout: float) -> None:
        super().__init__()
        self.heads, self.dropout = heads, dropout
        self.norm = nn.LayerNorm(width)
        self.inward = nn.Linear(width, 3 * width)
        self.outward = nn.Linear(width, width)

    def forward(self, x: Tensor, mask: Tensor | None) -> Tensor:
        batch, time, width = x.shape
        parts = self.inward(self.norm(x)).view(batch, time, 3, self.heads, width // self.heads)
        query, key, value = parts.permute(2, 0, 3, 1, 4).unbind(0)
        query, key = rotated(query), rotated(key)
        if torch.onnx.is_in_onnx_export():
            weight = torch.matmul(query, key.transpose(2, 3)) / math.sqrt(width // self.heads)
            mixed = torch.matmul(weight.softmax(-1), value)
        else:
            mixed = functional.scaled_dot_product_attention(
                query, key, value, attn_mask=mask,
                dropout_p=self.dropout if self.training else 0.0)
        return self.outward(mixed.transpose(1, 2).reshape(batch, time, width))


class Convolution(nn.Module):
    shifted = False

    def __init__(self, width: int, kernel: int) -> None:
        super().__init__()
        self.norm = nn.LayerNorm(width)
        self.inward = nn.Linear(width, 2 * width)
        self.depthwise = nn.Conv1d(width, width, kernel, padding=kernel // 2, groups=width)
        self.middle = nn.LayerNorm(width)
        self.outward = nn.Linear(width, width)

    def forward(self, x: Tensor) -> Tensor:
        gated = functional.glu(self.inward(self.norm(x)), -1)
        if self.shifted:  # the same sum, quicker than a grouped convolution on some GPUs
            kernel = self.depthwise.weight[:, 0].t().to(gated.dtype)
            padded = functional.pad(gated, (0, 0, len(kernel) // 2, len(kernel) // 2))
            wide = self.depthwise.bias.to(gated.dtype) + sum(
                padded[:, k : k + gated.shape[1]] * kernel[k] for k in range(len(kernel)))
        else:
            wide = self.depthwise(gated.transpose(1, 2)).transpose(1, 2)
        return self.outward(functional.silu(self.middle(wide)))


class FeedForward(nn.Sequential):
    def __init__(self, width: int, dropout: float) -> None:
        super().__init__(
            nn.LayerNorm(width), nn.Linear(width, 4 * width), nn.SiLU(), nn.Dropout(dropout),
            nn.Linear(4 * width, width))


class Block(nn.Module):
    def __init__(self, width: int, heads: int, kernel: int, dropout: float) -> None:
        super().__init__()
        self.first = FeedForward(width, dropout)
        self.attention = Attention(width, heads, dropout)
        self.convolution = Convolution(width, kernel)
        self.second = FeedForward(width, dropout)
        self.norm = nn.LayerNorm(width)
        self.dropout = nn.Dropout(dropout)

    def forward(self, x: Tensor, mask: Tensor | None) -> Tensor:
        x = x + 0.5 * self.dropout(self.first(x))
        x = x + self.dropout(self.attention(x, mask))
        x = x + self.dropout(self.convolution(x))
        x = x + 0.5 * self.dropout(self.second(x))
        return self.norm(x)


WIDTH, SENSE, POOLS = 192, 128, 4


class Speller(nn.Module):
    """Phones ``(batch, n)`` (0 is padding) to the direction that their sound should have,
    ``(batch, SENSE)`` of length 1."""

    def __init__(self, width: int = WIDTH, layers: int = 3, longest: int = 48) -> None:
        super().__init__()
        self.phones = nn.Embedding(1 + PHONES, width)
        self.places = nn.Parameter(torch.randn(longest, width) * 0.02)
        layer = nn.TransformerEncoderLayer(
            width, 4, 3 * width, dropout=0.0, activation="gelu", batch_first=True, norm_first=True)
        self.layers = nn.TransformerEncoder(layer, layers, enable_nested_tensor=False)
        self.outward = nn.Linear(width, SENSE)

    def forward(self, phones: Tensor) -> Tensor:
        blank = phones == 0
        x = self.phones(phones) + self.places[: phones.shape[1]]
        x = self.layers(x, src_key_padding_mask=blank)
        kept = (~blank).unsqueeze(-1)
        mean = (x * kept).sum(1) / kept.sum(1).clamp(min=1)
        return functional.normalize(self.outward(mean), dim=-1)


class Encoder(nn.Module):
    """``forward`` gives log probabilities ``(batch, time, 1 + PHONES)`` (0 is the blank), the
    embedding ``(batch, time, width)``, one step of time being 20 ms, and one direction
    ``(batch, SENSE)`` for the whole of what was said, to be held against the Speller's."""

    def __init__(
        self, width: int = WIDTH, blocks: int = 8, heads: int = 4, kernel: int = 15,
        dropout: float = 0.1,
    ) -> None:
        super().__init__()
        self.attend = nn.Linear(width, POOLS)
        self.gather = nn.Sequential(
            nn.Linear(POOLS * width, 2 * width), nn.SiLU(), nn.Linear(2 * width, SENSE))
        self.front_end = FrontEnd()
        self.first = nn.Conv2d(1, 48, 3, stride=(2, 2), padding=1)
        self.second = nn.Conv2d(48, 48, 3, stride=(1, 2), padding=1)
        self.inward = nn.Linear(48 * BANDS // 4, width)
        self.blocks = nn.ModuleList(Block(width, heads, kernel, dropout) for _ in range(blocks))
        self.outward = nn.Linear(width, 1 + PHONES)

    def forward(self, samples: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        return self.from_bands(self.front_end(samples))

    def from_bands(self, bands: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        x = functional.silu(self.first(bands[:, None]))
        x = functional.silu(self.second(x))
        batch, depth, time, height = x.shape
        x = self.inward(x.permute(0, 2, 1, 3).reshape(batch, time, depth * height))
        for block in self.blocks:
            x = block(x, None)
        weight = self.attend(x).softmax(1)
        pooled = torch.matmul(weight.transpose(1, 2), x).reshape(batch, -1)
        sense = functional.normalize(self.gather(pooled), dim=-1)
        return self.outward(x).log_softmax(-1), x, sense
