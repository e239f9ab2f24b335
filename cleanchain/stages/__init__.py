"""The stages of a chain, one file each."""
