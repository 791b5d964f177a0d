"""What is stored, table by table: read and written as plain values."""
