"""The trained network as ONNX, with batch norms folded into the convolutions."""

import copy
import hashlib
import os
import time

import numpy as np
import torch
from torch import nn
from torch.nn.utils.fusion import fuse_conv_bn_eval


def folded(model):
    """A float32 CPU copy whose conv-batchnorm pairs are single convolutions."""
    m = copy.deepcopy(model).float().cpu().eval()
    m = m.to(memory_format=torch.contiguous_format)
    for mod in list(m.modules()):
        for name, child in list(mod.named_children()):
            pair = isinstance(child, nn.Sequential) and len(child) == 2
            if pair and isinstance(child[1], nn.BatchNorm2d):
                setattr(mod, name, fuse_conv_bn_eval(child[0], child[1]))
    return m


def export(model, x, folder):
    """Writes bat.onnx and one worked example; checks ONNX Runtime against PyTorch."""
    import onnxruntime as ort

    m = folded(model)
    x = x.cpu().contiguous()
    path = os.path.join(folder, "bat.onnx")
    torch.onnx.export(
        m, (x[:1],), path, input_names=["image"], output_names=["out"], opset_version=17, dynamo=False
    )
    with torch.no_grad():
        want = m(x).numpy()
        live = model(x.cuda()).float().cpu().numpy()
    o = ort.SessionOptions()
    o.intra_op_num_threads = 1
    s = ort.InferenceSession(path, o, providers=["CPUExecutionProvider"])
    got = np.concatenate([s.run(None, {"image": x[i : i + 1].numpy()})[0] for i in range(len(x))])
    ms = []
    for _ in range(100):
        t = time.perf_counter()
        s.run(None, {"image": x[:1].numpy()})
        ms.append(1e3 * (time.perf_counter() - t))
    x[0].numpy().astype(np.float32).tofile(os.path.join(folder, "example_image.f32"))
    want[0].astype(np.float32).tofile(os.path.join(folder, "example_out.f32"))
    with open(path, "rb") as f:
        digest = hashlib.sha256(f.read()).hexdigest()
    return {
        "sha256": digest,
        "parameters": sum(p.numel() for p in m.parameters()),
        "ort_vs_folded": float(abs(got - want).max()),
        "folded_vs_gpu": float(abs(live - want).max()),
        "ms_min": round(min(ms), 2),
        "ms_median": round(sorted(ms)[50], 2),
    }
