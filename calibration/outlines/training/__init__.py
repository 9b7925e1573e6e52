"""Train the outline network from rendered plates. Needs PyTorch and ONNX; running the network needs neither."""
