"""Samples in, samples out: captures, files, and anything that can be read in blocks."""
