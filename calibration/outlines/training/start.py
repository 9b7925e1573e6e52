"""Take up training where a shipped network left off: its ONNX file holds weights with batch norm folded in."""

from __future__ import annotations

from pathlib import Path

import onnx
import torch
from calibration.outlines.training.model import FruitNet
from onnx import numpy_helper
from torch import Tensor, nn


def taken_up(net: FruitNet, path: Path) -> FruitNet:
    """Give a network the weights of an ONNX file or of a checkpoint's mean, wherever they fit.

    From an ONNX file each batch norm starts as what folding left of it: no scale, only the bias. `settled` must
    follow before training.
    """
    if path.suffix != ".onnx":
        kept = torch.load(path, map_location="cpu", weights_only=True)["mean"]
    else:
        graph = onnx.load(str(path)).graph
        folded = {one.name: torch.from_numpy(numpy_helper.to_array(one).copy()) for one in graph.initializer}
        kept = _unfolded(net, folded)
    own = net.state_dict()
    net.load_state_dict(
        {name: kept[name] if kept[name].shape == held.shape else held for name, held in own.items()}
    )
    return net


def _unfolded(net: FruitNet, folded: dict[str, Tensor]) -> dict[str, Tensor]:
    kept = dict(net.state_dict()) | {name: value for name, value in folded.items() if name in net.state_dict()}
    for name, module in net.named_modules():
        if _pair(module):
            kept[f"{name}.0.weight"] = folded[f"{name}.weight"]
            kept[f"{name}.1.bias"] = folded[f"{name}.bias"]
            kept[f"{name}.1.running_mean"] = torch.zeros_like(folded[f"{name}.bias"])
            kept[f"{name}.1.running_var"] = torch.full_like(folded[f"{name}.bias"], 1 - module[1].eps)
            kept[f"{name}.1.weight"] = torch.ones_like(folded[f"{name}.bias"])
    return kept


def _pair(module: nn.Module) -> bool:
    return isinstance(module, nn.Sequential) and len(module) == 2 and isinstance(module[1], nn.BatchNorm2d)


@torch.no_grad()
def settled(net: FruitNet, pictures: list[Tensor]) -> FruitNet:
    """Give each batch norm the statistics of some pictures, and scale and bias that leave the answers as they are.

    In training it uses the batch's own statistics; without this the first step would see another network.
    """
    norms = [module for module in net.modules() if isinstance(module, nn.BatchNorm2d)]
    sums = {norm: (torch.zeros_like(norm.bias), torch.zeros_like(norm.bias)) for norm in norms}

    def look(norm: nn.Module, given: tuple[Tensor, ...], _: Tensor) -> None:
        assert isinstance(norm, nn.BatchNorm2d)
        values = given[0].float()
        sums[norm][0].add_(values.mean((0, 2, 3)))
        sums[norm][1].add_(values.square().mean((0, 2, 3)))

    watching = [norm.register_forward_hook(look) for norm in norms]
    net.eval()
    for picture in pictures:
        net(picture.contiguous(memory_format=torch.channels_last))
    for handle in watching:
        handle.remove()
    for norm in norms:
        mean = sums[norm][0] / len(pictures)
        variance = (sums[norm][1] / len(pictures) - mean**2).clamp(min=1e-6)
        old = norm.weight / torch.sqrt(norm.running_var + norm.eps)
        norm.bias.copy_(norm.bias + (mean - norm.running_mean) * old)
        norm.weight.copy_(old * torch.sqrt(variance + norm.eps))
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(variance)
    return net
