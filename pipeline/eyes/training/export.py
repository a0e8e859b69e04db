"""Writes a trained network as an ONNX file that gives raw maps."""

from pathlib import Path

from paddlebrief.eyes.network import raw_maps

__all__ = ["export_onnx"]

_OPSET = 17


def export_onnx(checkpoint: Path, path: Path) -> Path:
    """Write an ultralytics checkpoint of a pose model as ONNX with free batch, height and width."""
    import torch
    from ultralytics.nn.tasks import load_checkpoint

    model, _ = load_checkpoint(str(checkpoint), device="cpu")
    model = model.float().eval().fuse(verbose=False)

    class Raw(torch.nn.Module):
        def __init__(self) -> None:
            super().__init__()
            self.inner = model

        def forward(self, pictures):
            return tuple(raw_maps(self.inner, pictures))

    strides = [int(s) for s in model.stride]
    names = [f"stride_{s}" for s in strides]
    axes = {name: {0: "n", 2: f"h_{name}", 3: f"w_{name}"} for name in names}
    axes["pictures"] = {0: "n", 2: "h", 3: "w"}
    torch.onnx.export(
        Raw(),
        torch.zeros(1, model.yaml["channels"], 64, 64),
        str(path),
        opset_version=_OPSET,
        input_names=["pictures"],
        output_names=names,
        dynamic_axes=axes,
        dynamo=False,
    )
    return path
