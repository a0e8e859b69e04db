"""The two networks, in ultralytics' own notation for models.

Both are small relatives of the nano models that ultralytics ships as files; channel counts stand
here in full. The paddle net looks at crops of 320 pixels in which a paddle is some 60 pixels
long: strides 8 and 16 do. The ball net looks for things of 3 to 25 pixels in whole frames: one
head of stride 4.
"""

__all__ = ["BALL_MODEL", "PADDLE_KINDS", "PADDLE_MODEL"]

PADDLE_KINDS = ("front", "back", "edge-on")

PADDLE_MODEL = {
    "nc": 3,
    "kpt_shape": [5, 3],
    "reg_max": 1,
    "end2end": False,
    "backbone": [
        [-1, 1, "Conv", [16, 3, 2]],
        [-1, 1, "Conv", [32, 3, 2]],
        [-1, 1, "C3k2", [64, False, 0.25]],
        [-1, 1, "Conv", [64, 3, 2]],
        [-1, 1, "C3k2", [128, False, 0.25]],
        [-1, 1, "Conv", [128, 3, 2]],
        [-1, 1, "C3k2", [128, True]],
        [-1, 1, "Conv", [192, 3, 2]],
        [-1, 1, "C3k2", [192, True]],
        [-1, 1, "SPPF", [192, 5]],
        [-1, 1, "C2PSA", [192]],
    ],
    "head": [
        [-1, 1, "nn.Upsample", [None, 2, "nearest"]],
        [[-1, 6], 1, "Concat", [1]],
        [-1, 1, "C3k2", [128, False]],
        [-1, 1, "nn.Upsample", [None, 2, "nearest"]],
        [[-1, 4], 1, "Concat", [1]],
        [-1, 1, "C3k2", [128, False]],
        [-1, 1, "Conv", [96, 3, 2]],
        [[-1, 13], 1, "Concat", [1]],
        [-1, 1, "C3k2", [160, False]],
        [[16, 19], 1, "Pose", ["nc", "kpt_shape"]],
    ],
}

BALL_MODEL = {
    "nc": 1,
    "kpt_shape": [2, 2],
    "reg_max": 1,
    "end2end": False,
    "backbone": [
        [-1, 1, "Conv", [16, 3, 2]],
        [-1, 1, "Conv", [32, 3, 2]],
        [-1, 1, "C3k2", [32, False, 0.5]],
        [-1, 1, "Conv", [48, 3, 2]],
        [-1, 1, "C3k2", [64, False, 0.5]],
        [-1, 1, "Conv", [96, 3, 2]],
        [-1, 1, "C3k2", [96, False, 0.5]],
        [-1, 1, "SPPF", [96, 5]],
    ],
    "head": [
        [-1, 1, "nn.Upsample", [None, 2, "nearest"]],
        [[-1, 4], 1, "Concat", [1]],
        [-1, 1, "C3k2", [64, False]],
        [-1, 1, "nn.Upsample", [None, 2, "nearest"]],
        [[-1, 2], 1, "Concat", [1]],
        [-1, 1, "C3k2", [32, False]],
        [[13], 1, "Pose", ["nc", "kpt_shape"]],
    ],
}
