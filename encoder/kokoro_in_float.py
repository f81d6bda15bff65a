"""Turns Kokoro's 8-bit ONNX file into one of 32-bit floats, which most processors run faster.

Knows the operators that onnxruntime's dynamic quantisation puts in. Usage:
``python kokoro_in_float.py IN.onnx OUT.onnx``.
"""

from __future__ import annotations

import sys

import numpy as np
import onnx
from onnx import helper, numpy_helper


def main() -> None:
    model = onnx.load(sys.argv[1])
    graph = model.graph
    stored = {weight.name: numpy_helper.to_array(weight) for weight in graph.initializer}
    fresh: dict[str, np.ndarray] = {"one": np.array(1.0, np.float32)}
    whole: set[str] = set()  # what was int32 and is float now

    def weight(name: str, zero: str | None) -> str:
        value = stored[name].astype(np.float32)
        if zero:
            value = value - stored[zero].astype(np.float32)
        fresh[f"{name}_float"] = value
        return f"{name}_float"

    nodes = []
    for node in graph.node:
        if node.op_type == "DynamicQuantizeLinear":
            nodes.append(helper.make_node("Identity", [node.input[0]], [node.output[0]]))
            nodes.append(helper.make_node("Identity", ["one"], [node.output[1]]))
        elif node.op_type in ("ConvInteger", "MatMulInteger"):
            zero = node.input[3] if len(node.input) > 3 and node.input[3] else None
            changed = helper.make_node(
                node.op_type[:-7], [node.input[0], weight(node.input[1], zero)], list(node.output))
            changed.attribute.extend(node.attribute)
            whole.add(node.output[0])
            nodes.append(changed)
        elif node.op_type in ("Cast", "Floor") and (
            node.input[0] in whole or "bias_tmp_quant" in node.input[0]
            or "bias_quant_rounded" in node.input[0]
        ):  # rounding to whole steps: nothing is rounded now
            nodes.append(helper.make_node("Identity", list(node.input), list(node.output)))
        elif node.op_type == "DynamicQuantizeLSTM":
            names = list(node.input) + [""] * (12 - len(node.input))
            made = []
            for place, scale, zero in ((1, 8, 9), (2, 10, 11)):
                value = stored[names[place]].astype(np.float32)
                point = stored[names[zero]].astype(np.float32)
                size = stored[names[scale]]
                if size.ndim == 1:
                    size, point = size[:, None, None], point[:, None, None]
                else:
                    size, point = size[:, None], point[:, None]
                name = f"{names[place]}_float"
                fresh[name] = np.ascontiguousarray(((value - point) * size).transpose(0, 2, 1))
                made.append(name)
            changed = helper.make_node(
                "LSTM", [names[0], *made, *names[3:8]], list(node.output))
            changed.attribute.extend(node.attribute)
            nodes.append(changed)
        else:
            if node.op_type == "Add" and whole & set(node.input):
                whole.add(node.output[0])
            nodes.append(node)
    del graph.value_info[:]
    del graph.node[:]
    graph.node.extend(nodes)
    graph.initializer.extend(numpy_helper.from_array(v, k) for k, v in fresh.items())
    used = {name for node in graph.node for name in node.input}
    kept = [weight for weight in graph.initializer if weight.name in used]
    del graph.initializer[:]
    graph.initializer.extend(kept)
    onnx.save(model, sys.argv[2])


if __name__ == "__main__":
    main()
