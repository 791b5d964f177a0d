"""Pictures and figures made from stored data. Numeric and plotting libraries are used here and nowhere else."""
