"""Writes what was learnt as one tuned file: arithmetic as an ONNX graph, the rest as metadata.

The file is whole or not there: it is written beside its place and then moved.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from tablevoice.errors import EngineFailed, StoreUnwritable
from tablevoice.listening.tuned_file import NOTES
from tablevoice.tuning.training import Network


def try_place(path: Path) -> None:
    """Whether ``path`` can be written, before minutes of work. Raises as :func:`write` does."""
    _onnx()
    beside = _beside(path)
    try:
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
        beside.write_bytes(b"")
        beside.unlink()
    except OSError as error:
        raise _unwritable(path, error) from error


def write(path: Path, heads: Mapping[str, Network], notes: Mapping[str, Any]) -> None:
    """``heads`` by name (``both``, ``second_opinion``). Raises StoreUnwritable, EngineFailed."""
    onnx = _onnx()
    from onnx import TensorProto, helper, numpy_helper

    nodes, weights, inputs, outputs = [], [], [], []

    def constant(name: str, values: np.ndarray[Any, Any]) -> str:
        weights.append(numpy_helper.from_array(np.asarray(values, np.float32), name))
        return name

    for head, network in heads.items():
        classes = network.members[0].second.shape[1]
        inputs.append(
            helper.make_tensor_value_info(head, TensorProto.FLOAT, ["n", len(network.mean)])
        )
        outputs.append(
            helper.make_tensor_value_info(f"{head}_scores", TensorProto.FLOAT, ["n", classes])
        )
        centred, level = f"{head}_centred", f"{head}_level"
        nodes.append(
            helper.make_node("Sub", [head, constant(f"{head}_mean", network.mean)], [centred])
        )
        nodes.append(
            helper.make_node(
                "Div", [centred, constant(f"{head}_deviation", network.deviation)], [level]
            )
        )
        parts = []
        for number, member in enumerate(network.members):
            name = f"{head}_{number}"
            nodes.append(
                helper.make_node(
                    "Gemm",
                    [
                        level,
                        constant(f"{name}_first", member.first),
                        constant(f"{name}_first_bias", member.first_bias),
                    ],
                    [f"{name}_hidden"],
                )
            )
            nodes.append(helper.make_node("Relu", [f"{name}_hidden"], [f"{name}_active"]))
            nodes.append(
                helper.make_node(
                    "Gemm",
                    [
                        f"{name}_active",
                        constant(f"{name}_second", member.second),
                        constant(f"{name}_second_bias", member.second_bias),
                    ],
                    [f"{name}_out"],
                )
            )
            parts.append(f"{name}_out")
        nodes.append(helper.make_node("Mean", parts, [f"{head}_taught"]))
        untaught = constant(f"{head}_untaught", network.untaught)
        nodes.append(helper.make_node("MatMul", [head, untaught], [f"{head}_by_itself"]))
        nodes.append(
            helper.make_node("Add", [f"{head}_taught", f"{head}_by_itself"], [f"{head}_averaged"])
        )
        sharpness = constant(f"{head}_sharpness", np.array(network.sharpness))
        bias = np.zeros(classes)
        bias[0] = network.bias
        nodes.append(helper.make_node("Mul", [f"{head}_averaged", sharpness], [f"{head}_sharp"]))
        nodes.append(
            helper.make_node(
                "Add", [f"{head}_sharp", constant(f"{head}_bias", bias)], [f"{head}_scores"]
            )
        )
    graph = helper.make_graph(nodes, "tablevoice_tuned", inputs, outputs, weights)
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)])
    model.ir_version = 8
    helper.set_model_props(model, {NOTES: json.dumps(notes, ensure_ascii=False, sort_keys=True)})
    onnx.checker.check_model(model)
    beside = _beside(path)
    try:
        with beside.open("wb") as file:
            file.write(model.SerializeToString(deterministic=True))
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            beside.unlink()
        raise _unwritable(path, error) from error


def _beside(path: Path) -> Path:
    return path.with_name(path.name + ".new")


def _unwritable(path: Path, error: OSError) -> StoreUnwritable:
    return StoreUnwritable(
        f"The tuned file cannot be written ({error.strerror}).",
        where=str(path),
        do="Make room or choose another place: --out.",
    )


def _onnx() -> Any:
    try:
        import onnx
    except ImportError as error:
        raise EngineFailed(
            "onnx is not here, and the tuned file cannot be written without it.",
            do="Install what tuning needs: pip install 'tablevoice[tune]'.",
        ) from error
    return onnx
