"""One file per device family; no driver imports another, the core imports none."""
