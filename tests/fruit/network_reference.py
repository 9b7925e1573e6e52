"""What the outline network answers by the ONNX standard's reference: `python -m tests.fruit.network_reference`.

Run it after every training, in a development environment: it works the shipped network out with `onnx`'s
ReferenceEvaluator on a small piece of the test plate and keeps picture and answer in `network_reference.npz`.
"""

import sys
from pathlib import Path

import numpy as np

KEPT = Path(__file__).with_name("network_reference.npz")
SIDE = 64


def main() -> None:
    import cv2
    import onnx
    from onnx.reference import ReferenceEvaluator

    sys.path.insert(0, str(Path(__file__).parents[2] / "inspect"))
    from truelobe.fruit.network import model_path

    plate = cv2.cvtColor(cv2.imread(str(Path(__file__).parent / "plate" / "plate.jpg")), cv2.COLOR_BGR2RGB)
    picture = cv2.resize(plate[720:1120, 780:1180], (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    blob = picture.transpose(2, 0, 1)[None].astype(np.float32) / 255 - 0.5
    model = onnx.load(model_path())
    answer = ReferenceEvaluator(model).run(None, {model.graph.input[0].name: blob})[0]
    np.savez_compressed(KEPT, picture=picture, answer=answer[0].astype(np.float16))
    print(f"{KEPT}: answer {answer.shape}, {answer.min():.1f} to {answer.max():.1f}")


if __name__ == "__main__":
    main()
