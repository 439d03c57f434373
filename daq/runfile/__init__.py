"""One HDF5 file per run: what goes in (content), how it lies there (layout), and back."""
