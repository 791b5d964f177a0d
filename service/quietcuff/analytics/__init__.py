"""Pictures and figures over what is stored. Numeric and plotting libraries live here and nowhere else."""
