"""Write the trained network as ONNX, batch norm folded away."""

from __future__ import annotations

import copy
import warnings
from pathlib import Path

import onnx
import torch
from calibration.outlines.training.model import FruitNet
from torch import nn
from torch.nn.utils.fusion import fuse_conv_bn_eval

INPUT = (1, 3, 480, 640)
ALLOWED = {"Conv", "Relu", "Add", "Resize", "GlobalAveragePool", "Constant", "Identity"}
OPSET = 12


def folded(net: FruitNet) -> FruitNet:
    """Return a copy whose batch norms are folded into their convolutions."""
    copied = copy.deepcopy(net).float().cpu().eval()
    for parent in list(copied.modules()):
        for name, child in list(parent.named_children()):
            if isinstance(child, nn.Sequential) and len(child) == 2 and isinstance(child[1], nn.BatchNorm2d):
                setattr(parent, name, fuse_conv_bn_eval(child[0], child[1]))
    return copied


def write_onnx(net: FruitNet, path: Path, shape: tuple[int, ...] = INPUT) -> None:
    """Write the network as ONNX in 32-bit for inputs of a shape; checks that only agreed operations are in it.

    Raises
    ------
    ValueError
        When an operation crept in that OpenCV might not run.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(".part")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        torch.onnx.export(
            folded(net),
            (torch.zeros(shape),),
            str(part),
            opset_version=OPSET,
            input_names=["picture"],
            output_names=["maps"],
            dynamo=False,
        )
    graph = onnx.load(str(part)).graph
    strange = {node.op_type for node in graph.node} - ALLOWED
    if strange:
        raise ValueError(f"operations outside the agreed set: {sorted(strange)}")
    part.replace(path)
