"""Gets the weights back out of the shipped ONNX files, to begin another training with.

Knows how ``export.py`` and ``activity.py`` write: every weight under its own name but those
of linear layers without a batch of their own, which the exporter turns round and renames;
these are met in the order in which the layers are used. Checks both by running both.
Usage: ``python recovered.py MODELS OUT`` (``encoder.pt`` and ``activity.pt``).
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import onnx
import onnxruntime
import torch
from activity import Activity, OneStep
from network import Encoder, Speller
from onnx import numpy_helper
from torch import nn
from train import Sense


def stored(model: onnx.ModelProto) -> dict[str, np.ndarray]:
    """Every weight by the name that the graph uses it under, halves as floats."""
    weights = {one.name: numpy_helper.to_array(one) for one in model.graph.initializer}
    for node in model.graph.node:
        if node.op_type == "Cast" and node.input[0] in weights:
            weights[node.output[0]] = weights[node.input[0]].astype(np.float32)
        elif node.op_type == "Constant":
            weights[node.output[0]] = numpy_helper.to_array(node.attribute[0].t)
    return weights


def filled(network: nn.Module, model: onnx.ModelProto) -> None:
    """Puts the weights of ``model`` into ``network``; a renamed one goes where its node works."""
    weights = stored(model)
    state = network.state_dict()
    found = {name: weights[full] for name in state
             for full in (name, f"activity.{name}") if full in weights}
    for node in model.graph.node:
        if node.op_type == "MatMul" and node.input[1].startswith("onnx::"):
            parts = node.name.split("/")[1:-1]
            # A sequence's layers repeat its name: "first", "first.1".
            short = [part for part, after in zip(parts, [*parts[1:], ""], strict=True)
                     if not after.startswith(part + ".")]
            name = next(name for name in (
                ".".join(parts) + ".weight", ".".join(short) + ".weight",
                ".".join(parts) + ".in_proj_weight") if name in state)
            found[name] = weights[node.input[1]].T
        elif node.op_type == "Add" and node.input[1].startswith("onnx::Add"):
            found["places"] = weights[node.input[1]]
    found |= gates_of(model)
    network.load_state_dict({name: torch.tensor(value) for name, value in found.items()})


def gates_of(model: onnx.ModelProto) -> dict[str, np.ndarray]:
    """The recurrent layers: ONNX has the gates as update, reset, new; PyTorch has reset first."""
    weights, state = stored(model), {}
    for layer, node in enumerate(one for one in model.graph.node if one.op_type == "GRU"):
        inward, memory, bias = (weights[name][0] for name in node.input[1:4])
        for name, value in (("weight_ih", inward), ("weight_hh", memory),
                            ("bias_ih", bias[: len(bias) // 2]), ("bias_hh", bias[len(bias) // 2 :])):
            update, reset, new = np.split(value, 3)
            state[f"memory.{name}_l{layer}"] = np.concatenate((reset, update, new))
    return state


def main() -> None:
    models, out = Path(sys.argv[1]), Path(sys.argv[2])
    out.mkdir(parents=True, exist_ok=True)
    listening = onnx.load(str(models / "encoder.onnx"))
    notes = {one.key: one.value for one in listening.metadata_props}
    encoder, sense, activity = Encoder().eval(), Sense().eval(), Activity().eval()
    filled(encoder, listening)
    spelling = onnx.load(str(models / "speller.onnx"))
    filled(sense.speller, spelling)
    sense.nobody.data = torch.tensor(json.loads(notes["nobody"]))
    sense.sharpness.data = torch.tensor(float(notes["sharpness"])).log()
    filled(activity, onnx.load(str(models / "activity.onnx")))
    wave, said = torch.randn(1, 24_000) * 0.01, torch.randint(1, 40, (16, 48))
    frame = (torch.randn(1, 560) * 0.01, torch.randn(1, 64), torch.randn(2, 1, 96), torch.zeros(1))
    names = ("samples", "mean", "memory", "first")
    with torch.no_grad():
        for name, network, given in (
            ("encoder", encoder, {"samples": wave}),
            ("speller", sense.speller, {"phones": said}),
            ("activity", OneStep(activity), dict(zip(names, frame, strict=True))),
        ):
            session = onnxruntime.InferenceSession(str(models / f"{name}.onnx"))
            theirs = session.run(None, {key: value.numpy() for key, value in given.items()})
            ours = network(*given.values())
            ours = ours if isinstance(ours, tuple) else (ours,)
            off = max(float(np.abs(one.numpy() - other).max())
                      for one, other in zip(ours, theirs, strict=True))
            print(f"{name}: outputs equal to {off:.1e}")
            if off > 1e-3:
                raise SystemExit(f"{name} was not recovered")
    torch.save({"encoder": halves(encoder), "sense": halves(sense)}, out / "encoder.pt")
    torch.save(activity.state_dict(), out / "activity.pt")


def halves(network: nn.Module) -> dict[str, torch.Tensor]:
    return {name: value.half() for name, value in network.state_dict().items()}


if __name__ == "__main__":
    main()
