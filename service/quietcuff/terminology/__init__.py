"""Published codes, code systems and units, each once, for all that reads or writes them."""
