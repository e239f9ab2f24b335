"""Builds against builds, takes of one moment, a take before and after a chain."""
