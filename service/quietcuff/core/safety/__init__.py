"""The safety layer: what must not wait, whatever else is found."""
