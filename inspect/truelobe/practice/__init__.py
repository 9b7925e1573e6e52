"""Training the eye: what to show next, and what an eye's answers say about it."""
