"""Stored sets as tables: their columns, how they are filled, and how they leave as Parquet and CSV."""
