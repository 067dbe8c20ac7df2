"""How answers are put into words, numbers, tables and files."""
