"""A bat finder whose early colour layers are those of the pose network."""

import onnx
import torch
import torch.nn.functional as F
from onnx import numpy_helper
from torch import nn

from net import BatNet, conv_bn

# convolutions of pose_full.onnx up to its first sum at a quarter of the input:
# stride and groups are read off the weights and this list
STRIDES = (2, 1, 1, 1, 2, 1, 1, 1, 1)
CLIPPED = (1, 1, 0, 1, 1, 0, 1, 1, 0)  # ReLU6 follows


def first_convs(path, n):
    graph = onnx.load(path).graph
    const = {i.name: numpy_helper.to_array(i) for i in graph.initializer}
    for node in graph.node:
        if node.op_type == "Cast" and node.input[0] in const:
            const[node.output[0]] = const[node.input[0]]
    convs = [node for node in graph.node if node.op_type == "Conv"][:n]
    return [[torch.tensor(const[i]).float() for i in node.input[1:]] for node in convs]


class PoseBatNet(BatNet):
    def __init__(self, pose_file):
        super().__init__()
        weights = first_convs(pose_file, len(STRIDES))
        self.pose = nn.ModuleList()
        for (w, b), s in zip(weights, STRIDES):
            depthwise = w.shape[1] == 1 and w.shape[2] > 1
            groups = w.shape[0] if depthwise else 1
            conv = nn.Conv2d(w.shape[1] * groups, w.shape[0], w.shape[2], s, 0, groups=groups)
            conv.weight.data, conv.bias.data = w, b
            self.pose.append(conv)
        self.motion = nn.Sequential(conv_bn(2, 8, 3, 2), nn.ReLU(), conv_bn(8, 8, 3, 2), nn.ReLU())
        self.join = conv_bn(24 + 8, 32, 1)
        del self.stem
        self.reduce[0] = nn.Identity()

    def early(self, x):
        y = x[:, :3]
        for k, (conv, clip) in enumerate(zip(self.pose, CLIPPED)):
            if k == 6:
                kept = y
            side = conv.kernel_size[0]
            if side == 3:  # the source pads at the end when it strides
                lead = 0 if conv.stride[0] == 2 else 1
                y = F.pad(y, (lead, 1, lead, 1))
            y = conv(y)
            if clip:
                y = y.clamp(0, 6)
        return F.relu(self.join(torch.cat([y + kept, self.motion(x[:, 3:])], 1)))
