"""The core of rollerdaq: from wires to one HDF5 run file per run."""

__version__ = "0.1.0"
