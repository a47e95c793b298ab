"""Scored nights on disk: one HDF5 file a night, and a reader's decisions about it."""
