"""Finished numbers in, pictures and pages out; nothing here measures."""
