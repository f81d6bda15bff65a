"""Opens an ONNX network to run on one core: the other one belongs to everything else.

Knows onnxruntime's settings and where the shipped networks lie; not what any of them does.
"""

from __future__ import annotations

from importlib import resources
from importlib.abc import Traversable
from pathlib import Path
from typing import Any

import onnxruntime

# On Windows its reports go through the system and are turned off so; elsewhere by a variable
# that the package sets before this import.
onnxruntime.disable_telemetry_events()


def shipped_networks() -> Traversable:
    """The folder of the networks that come with the package."""
    return resources.files("tablevoice.listening") / "models"


def opened(network: Path | bytes, *, quietly: bool = False) -> Any:
    """A session on one core. Raises what the runtime raises for what is no network.

    A path rather than bytes where there is one: bytes stay in memory beside the weights.
    ``quietly``: for files of users, whose faults are told in words of our own.
    """
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.log_severity_level = 4 if quietly else 3
    source = network if isinstance(network, bytes) else str(network)
    return onnxruntime.InferenceSession(source, options, providers=["CPUExecutionProvider"])


def shipped(name: str) -> Any:
    """A session of one of the networks that come with the package."""
    with resources.as_file(shipped_networks() / name) as path:
        return opened(path)
