"""Graded examples that a team keeps, finds, shows and never loses: everything above the store's single records."""
