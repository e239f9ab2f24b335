"""Presets: the settings and the learned noise of one build, kept for its next takes."""
