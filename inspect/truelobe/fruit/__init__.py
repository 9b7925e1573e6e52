"""Peppers in the picture: find and outline them, then their axis and body."""
