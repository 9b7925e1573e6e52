"""Training of the slope network; needs PyTorch and an accelerator."""
