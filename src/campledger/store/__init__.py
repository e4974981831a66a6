"""The one SQLite file that holds the record."""
