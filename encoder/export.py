"""Writes what was trained as two ONNX files, weights in half precision, for onnxruntime.

``encoder.onnx``: ``samples`` (float32, ``(batch, n)``) to ``phones`` (log probabilities,
``(batch, time, 40)``), ``embedding`` (``(batch, time, 192)``) and ``said`` (unit directions,
``(batch, 128)``). ``speller.onnx``: ``phones`` (int64, ``(16, 48)``, 0 is padding) to
``sense`` (unit directions, ``(16, 128)``). The direction of "nobody spoke" and the
sharpness of the comparison stand in the encoder's metadata.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import onnx
import torch
from network import Encoder
from onnx import TensorProto, helper, numpy_helper
from train import Sense


def halved(model: onnx.ModelProto) -> onnx.ModelProto:
    """Large weights stored as float16 with a cast in front: half the file, the same arithmetic."""
    graph = model.graph
    casts = []
    for weight in list(graph.initializer):
        values = numpy_helper.to_array(weight)
        if weight.data_type != TensorProto.FLOAT or values.size < 512 or abs(values).max() > 6e4:
            continue
        if not (values == values.astype("float16").astype("float32")).all():
            continue  # made by the front end, not trained: kept exact
        graph.initializer.remove(weight)
        half = numpy_helper.from_array(values.astype("float16"), weight.name + "_half")
        graph.initializer.append(half)
        casts.append(helper.make_node("Cast", [half.name], [weight.name], to=TensorProto.FLOAT))
    for cast in reversed(casts):
        graph.node.insert(0, cast)
    return model


def written(
    network: torch.nn.Module, example: torch.Tensor, path: Path, names: tuple[str, list[str]],
    axes: dict[str, dict[int, str]], notes: dict[str, str],
) -> None:
    torch.onnx.export(
        network, (example,), str(path), opset_version=17, input_names=[names[0]],
        output_names=names[1], dynamic_axes=axes, dynamo=False)
    model = halved(onnx.load(str(path)))
    helper.set_model_props(model, notes)
    onnx.checker.check_model(model)
    onnx.save(model, str(path))
    print(f"{path.name}: {path.stat().st_size / 1e6:.1f} MB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("weights", type=Path)
    parser.add_argument("out", type=Path, help="folder")
    options = parser.parse_args()
    state = torch.load(options.weights, map_location="cpu")
    encoder, sense = Encoder(), Sense()
    encoder.load_state_dict({name: value.float() for name, value in state["encoder"].items()}, False)
    sense.load_state_dict({name: value.float() for name, value in state["sense"].items()})
    encoder.eval()
    sense.eval()
    # The fast path of PyTorch's transformer layers cannot be exported.
    torch.backends.mha.set_fastpath_enabled(False)
    options.out.mkdir(parents=True, exist_ok=True)
    nobody = torch.nn.functional.normalize(sense.nobody, dim=0)
    notes = {
        "licence": "Apache-2.0; made by encoder/ of tablevoice",
        "nobody": json.dumps([round(float(value), 6) for value in nobody]),
        "sharpness": f"{float(sense.sharpness.exp()):.3f}",
    }
    written(
        encoder, torch.randn(1, 24_000) * 0.01, options.out / "encoder.onnx",
        ("samples", ["phones", "embedding", "said"]),
        {"samples": {0: "batch", 1: "n"}, "phones": {0: "batch", 1: "time"},
         "embedding": {0: "batch", 1: "time"}, "said": {0: "batch"}}, notes)
    written(
        sense.speller, torch.randint(1, 40, (16, 48)), options.out / "speller.onnx",
        ("phones", ["sense"]), {}, notes)


if __name__ == "__main__":
    main()
