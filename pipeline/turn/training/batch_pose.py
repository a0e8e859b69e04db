"""The pose network's landmarks for many crops at once, by torch on a graphics card.

The same file with the same weights, rebuilt operator by operator; on a processor one crop at a
time would take most of the time of making training pictures.
"""

from pathlib import Path

import numpy as np

__all__ = ["BatchPose"]

_TABLE, _PRESENCE, _MASK, _WORLD = 195, 1, 65536, 117  # outputs, told by their sizes
_AT_ONCE = 32


class BatchPose:
    """Landmarks and masks of a batch of crops.

    Parameters
    ----------
    landmarker
        The landmark network's file from ``model_store.ensure_models``.
    device
        Where torch computes, as ``"cuda:0"``.
    """

    def __init__(self, landmarker: Path, device: str) -> None:
        import torch
        from ai_edge_litert import schema_py_generated as schema

        self._torch, self._device = torch, device
        # A card halves its work with half precision, in which the file keeps its weights.
        self._dtype = torch.float16 if device.startswith("cuda") else torch.float32
        flat = landmarker.read_bytes()
        model = schema.ModelT.InitFromObj(schema.Model.GetRootAs(flat, 0))
        graph = model.subgraphs[0]
        self._schema, self._graph, self._buffers = schema, graph, model.buffers
        self._codes = [max(c.builtinCode, c.deprecatedBuiltinCode) for c in model.operatorCodes]
        self._names = {v: k for k, v in vars(schema.BuiltinOperator).items() if k.isupper()}
        self._constants = {}
        self._steps = [step for op in graph.operators if (step := self._prepare(op)) is not None]
        self._used_last = {i: n for n, s in enumerate(self._steps) for i in s[1]}

    def __call__(self, squares: np.ndarray) -> tuple[np.ndarray, ...]:
        """Everything the network says of each crop.

        Parameters
        ----------
        squares
            (n, 256, 256, 3) uint8 RGB.

        Returns
        -------
        table, presence, mask, world
            (n, 39, 5) landmarks as the network gives them, (n,) probabilities, (n, 256, 256)
            logits of the mask, and (n, 39, 3) landmarks in metres from between the hips.
        """
        torch = self._torch
        pieces = []
        with torch.inference_mode():
            for start in range(0, len(squares), _AT_ONCE):
                pieces.append(self._run(torch.from_numpy(squares[start : start + _AT_ONCE])))
            found = {
                size: torch.cat([p[size] for p in pieces]).float().cpu().numpy()
                for size in (_TABLE, _PRESENCE, _MASK, _WORLD)
            }
        return (
            found[_TABLE].reshape(-1, 39, 5),
            found[_PRESENCE][:, 0],
            found[_MASK].reshape(-1, 256, 256),
            found[_WORLD].reshape(-1, 39, 3),
        )

    def _run(self, squares) -> dict:
        x = squares.to(self._device).permute(0, 3, 1, 2).to(self._dtype) / 255
        values = {self._graph.inputs[0]: x.contiguous(memory_format=self._torch.channels_last)}
        for n, (call, inputs, output) in enumerate(self._steps):
            values[output] = call(*(values[i] for i in inputs))
            for i in inputs:
                if self._used_last[i] == n and i not in self._graph.outputs:
                    values.pop(i, None)
        return {
            int(np.prod(self._graph.tensors[i].shape)): values[i].flatten(1)
            for i in self._graph.outputs
        }

    def _constant(self, index: int) -> np.ndarray | None:
        if index in self._constants:
            return self._constants[index]
        tensor = self._graph.tensors[index]
        data = self._buffers[tensor.buffer].data
        if data is None:
            return None
        kinds = self._schema.TensorType
        dtype = {kinds.FLOAT32: "<f4", kinds.FLOAT16: "<f2", kinds.INT32: "<i4"}[tensor.type]
        shape = tensor.shape if tensor.shape is not None and len(tensor.shape) else (-1,)
        return np.asarray(data, np.uint8).view(dtype).reshape(shape)

    def _shape(self, index: int) -> list[int]:
        return list(self._graph.tensors[index].shape)

    def _prepare(self, op):
        name = self._names[self._codes[op.opcodeIndex]]
        inputs, output = list(op.inputs), op.outputs[0]
        if name == "DEQUANTIZE":
            self._constants[output] = self._constant(inputs[0]).astype(np.float32)
            return None
        make = getattr(self, f"_{name.lower()}", None)
        if make is None:
            raise NotImplementedError(f"operator {name} of the landmark network")
        moving = [i for i in inputs if self._constant(i) is None]
        return make(op), moving, output

    def _tensor(self, array: np.ndarray):
        made = self._torch.tensor(np.ascontiguousarray(array), device=self._device)
        return made.to(self._dtype)

    def _padding(self, op, options, kernel: tuple[int, int]) -> tuple[int, int, int, int]:
        """Left, right, top, bottom of "same" padding, the odd one at the end."""
        if options.padding == self._schema.Padding.VALID:
            return (0, 0, 0, 0)
        _, height, width, _ = self._shape(op.inputs[0])
        sides = []
        for size, step, k in (
            (width, options.strideW, kernel[1]),
            (height, options.strideH, kernel[0]),
        ):
            total = max((-(-size // step) - 1) * step + k - size, 0)
            sides += [total // 2, total - total // 2]
        return tuple(sides)

    def _activated(self, options):
        kinds = self._schema.ActivationFunctionType
        functional = self._torch.nn.functional
        return {
            kinds.NONE: lambda x: x,
            kinds.RELU: functional.relu,
            kinds.RELU6: functional.relu6,
        }[options.fusedActivationFunction]

    def _convolution(self, op, kernel: np.ndarray, groups: int):
        functional, options = self._torch.nn.functional, op.builtinOptions
        weight, bias = self._tensor(kernel), self._tensor(self._constant(op.inputs[2]))
        pad = self._padding(op, options, kernel.shape[2:])
        activated, stride = self._activated(options), (options.strideH, options.strideW)

        def call(x):
            y = functional.conv2d(
                functional.pad(x, pad), weight, bias, stride=stride, groups=groups
            )
            return activated(y)

        return call

    def _conv_2d(self, op):
        return self._convolution(op, self._constant(op.inputs[1]).transpose(0, 3, 1, 2), 1)

    def _depthwise_conv_2d(self, op):
        kernel = self._constant(op.inputs[1]).transpose(3, 0, 1, 2)
        return self._convolution(op, kernel, len(kernel))

    def _add(self, op):
        activated = self._activated(op.builtinOptions)
        fixed = [self._constant(i) for i in op.inputs]
        if any(f is not None for f in fixed):
            raise NotImplementedError("adding a constant")
        return lambda a, b: activated(a + b)

    def _pad(self, op):
        before_after = self._constant(op.inputs[1])
        pad = tuple(int(v) for axis in (2, 1, 3) for v in before_after[axis])
        functional = self._torch.nn.functional
        return lambda x: functional.pad(x, pad)

    def _max_pool_2d(self, op):
        options, functional = op.builtinOptions, self._torch.nn.functional
        kernel = (options.filterHeight, options.filterWidth)
        pad = self._padding(op, options, kernel)
        stride = (options.strideH, options.strideW)
        return lambda x: functional.max_pool2d(
            functional.pad(x, pad, value=-float("inf")), kernel, stride
        )

    def _resize_bilinear(self, op):
        size = tuple(int(v) for v in self._constant(op.inputs[1]))
        if op.builtinOptions.alignCorners:
            raise NotImplementedError("bilinear resizing with aligned corners")
        if not op.builtinOptions.halfPixelCenters:
            raise NotImplementedError("bilinear resizing without half-pixel centres")
        functional = self._torch.nn.functional
        return lambda x: functional.interpolate(x, size, mode="bilinear", align_corners=False)

    def _reshape(self, op):
        return lambda x: x.permute(0, 2, 3, 1).flatten(1) if x.ndim == 4 else x.flatten(1)

    def _logistic(self, op):
        return self._torch.sigmoid
