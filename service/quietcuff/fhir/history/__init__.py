"""Reading one resource, and every version of it."""
