"""Captures in, numbers and findings out; nothing is remembered between calls."""
