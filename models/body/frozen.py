"""The pose network as it is kept in pose_full.onnx, run by PyTorch, never trained."""

import numpy as np
import onnx
import torch
import torch.nn.functional as F
from onnx import helper, numpy_helper

# what the depth network is given: inner maps of the pose network (their names in
# pose_full.onnx, and their shapes), and its own answer
FEATURES = {
    "t226": (32, 32, 32),
    "t251": (88, 16, 16),
    "t269": (144, 8, 8),
    "t316": (288, 4, 4),
    "t335": (288, 2, 2),
}
ANSWERS = {"landmarks": (195,), "world": (117,)}


def with_features(path):
    """The network's model with the inner maps among its outputs."""
    model = onnx.load(path)
    have = {o.name for o in model.graph.output}
    for name, shape in FEATURES.items():
        if name not in have:
            model.graph.output.append(helper.make_tensor_value_info(name, onnx.TensorProto.FLOAT, (1, *shape)))
    return model


class Frozen:
    """Runs the nodes that FEATURES and ANSWERS need."""

    def __init__(self, path, device="cuda", dtype=torch.float32):
        graph = with_features(path).graph
        self.dtype = dtype
        self.const = {}
        for i in graph.initializer:
            v = torch.from_numpy(np.array(numpy_helper.to_array(i)))
            self.const[i.name] = v.to(device, dtype) if v.is_floating_point() else v
        want, self.nodes = set(FEATURES) | set(ANSWERS), []
        for node in reversed(graph.node):
            if node.output[0] in want:
                want |= set(node.input)
                self.nodes.append(node)
        self.nodes.reverse()
        for node in self.nodes:
            if node.op_type == "Cast" and node.input[0] in self.const:
                self.const[node.output[0]] = self.const[node.input[0]]
        self.nodes = [n for n in self.nodes if n.op_type != "Cast"]

    @torch.no_grad()
    def __call__(self, image):
        """image [n,3,256,256] in 0..1 -> dict of FEATURES and ANSWERS, float32."""
        val = {"image": image.to(self.dtype).contiguous(memory_format=torch.channels_last)}
        for node in self.nodes:
            x = [val[i] if i in val else self.const.get(i) for i in node.input]
            val[node.output[0]] = self.run(node, x)
        return {k: val[k].float().reshape(len(image), *s) for k, s in {**FEATURES, **ANSWERS}.items()}

    def run(self, node, x):
        at = {a.name: helper.get_attribute_value(a) for a in node.attribute}
        op = node.op_type
        if op == "Conv":
            top, left, bottom, right = at.get("pads", (0, 0, 0, 0))
            y = x[0]
            if (top, left) != (bottom, right):
                y, top, left = F.pad(y, (left, right, top, bottom)), 0, 0
            return F.conv2d(y, x[1], x[2], at["strides"], (top, left), at["dilations"], at["group"])
        if op == "Pad":
            p = [int(v) for v in x[1]]
            return F.pad(x[0], (p[3], p[7], p[2], p[6], p[1], p[5]))
        if op == "Clip":
            return x[0].clamp(0, 6)
        if op == "Add":
            return x[0] + x[1]
        if op == "MaxPool":
            return F.max_pool2d(x[0], at["kernel_shape"], at["strides"])
        if op == "Reshape":
            return x[0].reshape(len(x[0]), -1)
        raise ValueError(f"operator {op}")


def check(path, image):
    """Largest differences from ONNX Runtime over a few pictures, by output."""
    import onnxruntime as ort

    s = ort.InferenceSession(with_features(path).SerializeToString(), providers=["CPUExecutionProvider"])
    mine, worst = Frozen(path)(image), {}
    names = [*FEATURES, *ANSWERS]
    for i in range(len(image)):
        got = s.run(names, {"image": image[i : i + 1].float().cpu().numpy()})
        for name, v in zip(names, got):
            d = np.abs(v.reshape(-1) - mine[name][i].reshape(-1).cpu().numpy()).max()
            worst[name] = max(worst.get(name, 0.0), float(d))
    return worst
