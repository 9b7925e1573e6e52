"""Training of the pepper network; needs PyTorch and an accelerator."""
