"""The stored rows, table by table, read and written as plain values."""
