"""Resources made from what is stored."""
