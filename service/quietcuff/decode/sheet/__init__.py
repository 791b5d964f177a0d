"""A spreadsheet of readings saved as CSV, to sittings as the JSON door takes them, with the cell of each value."""
